"""What commands that print tables share: columns, a frame's title, the arguments of a reading."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from typing import TYPE_CHECKING

from adapters.commands.console.bridge_argument import add_bridge_argument
from adapters.commands.console.dump_arguments import add_dump_arguments
from adapters.printable import printable

if TYPE_CHECKING:  # a command of numbers alone prints columns, too
    from bridge.readings.frame import Frame

__all__ = ["add_heap_argument", "add_reading_arguments", "columns", "title"]


def add_reading_arguments(parser: argparse.ArgumentParser, *, many: bool = False) -> None:
    """What every command has that reads one frame, or, with *many*, one frame of each dump."""
    add_bridge_argument(parser)
    add_dump_arguments(parser, many=many)
    parser.add_argument(
        "--wait", type=float, default=10.0, metavar="S", help="seconds to wait for a frame (10)"
    )


def add_heap_argument(parser: argparse.ArgumentParser, what: str) -> None:
    """``--heap`` of a command that shows or keeps what is in heaps; *what* is its help."""
    parser.add_argument("--heap", metavar="NAME", help=what)


def title(frame: Frame) -> str:
    """A line that says which frame this is."""
    words = f"frame {frame.number} · build {frame.build} · {frame.source} · {frame.consistency}"
    return printable(words)


def columns(rows: Sequence[Sequence[str]]) -> list[str]:
    """Rows as lines with aligned columns; what other people's texts hold is made printable."""
    if not rows:
        return []
    rows = [[printable(cell) for cell in row] for row in rows]
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    return [
        "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip()
        for row in rows
    ]
