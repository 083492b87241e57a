"""``lowhalf layout save`` and ``compare``: the heap's shape kept, the present one against it."""

from __future__ import annotations

import argparse
from collections.abc import Callable, Sequence
from itertools import groupby
from pathlib import Path
from typing import Any

from adapters.commands.console.bridge_argument import given_bridge
from adapters.commands.console.dump_arguments import each_dump, one_dump, print_json
from adapters.commands.console.one_frame import take_heap
from adapters.commands.console.tables import (
    add_heap_argument,
    add_reading_arguments,
    columns,
    title,
)
from adapters.functions import installed_functions
from adapters.json_forms.heap_shape import comparison_json, sizes_may_differ
from adapters.printable import printable
from adapters.sessions.one_frame import heap_of, with_dump
from bridge.heap.blocks import Heap
from bridge.heap.shape import Comparison, Layout, Line, Sort, compare, layout_from, layout_of
from bridge.heap.shape_words import first_words, owner_words, place_words, taken, taken_words
from bridge.prepared import PreparedBuild, prepare
from bridge.readings.frame import Frame
from schemas.errors import LayoutFileError, shortened
from schemas.existing import exists
from schemas.layout_file import (
    MAX_BLOCKS,
    MAX_OWNER,
    BlockTable,
    LayoutFile,
    Wildcard,
    layout_text,
    load_layout,
)
from schemas.loader import Bridge
from schemas.system_words import system_words

__all__ = ["add_arguments", "run"]

_AROUND = 2
"""Lines that are the same and still shown beside one that differs."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parts = parser.add_subparsers(dest="part", required=True, metavar="save|compare")
    save = parts.add_parser("save", help="keep the heap's shape in a layout file")
    add_reading_arguments(save)
    save.add_argument("--title", default="", metavar="TEXT", help="the layout's name for people")
    save.add_argument("--force", action="store_true", help="replace a file that is there")
    save.add_argument(
        "--damaged", action="store_true", help="save a damaged heap, as far as its list goes"
    )
    against = parts.add_parser("compare", help="the present heap against a layout file")
    add_reading_arguments(against, many=True)
    against.add_argument(
        "--ignore-sizes", action="store_true", help="compare owners and use, not sizes and places"
    )
    against.add_argument("--all", action="store_true", help="list every block, the same ones too")
    against.add_argument("--json", action="store_true", help="print one JSON object")
    for part in (save, against):
        add_heap_argument(
            part, "this heap's shape, of several; else that of the first, or of the layout's own"
        )
        part.add_argument("layout", type=Path, metavar="NAME.layout.toml", help="the layout file")


def run(arguments: argparse.Namespace) -> int:
    if arguments.part == "save":
        return _save(arguments)
    return each_dump(arguments, _comparer)


def _save(arguments: argparse.Namespace) -> int:
    path: Path = arguments.layout
    if exists(path) and not arguments.force:
        raise LayoutFileError("is there already; --force replaces it", file=str(path))
    bridge, ready = _prepared(arguments)
    asked = with_dump(bridge, one_dump(arguments), arguments.format)
    frame, heap = take_heap(asked, ready, arguments.wait, arguments.frame)
    heap = heap_of(heap, arguments.heap)
    if heap.awaited:
        raise LayoutFileError("not saved: not all of the heap has come", file=str(path))
    if heap.damaged is not None and not arguments.damaged:
        raise LayoutFileError(
            f"not saved: {heap.damaged}; --damaged saves the {len(heap.blocks)} blocks before that",
            file=str(path),
        )
    if not 0 < len(heap.blocks) <= MAX_BLOCKS:
        raise LayoutFileError(
            f"not saved: the heap has {len(heap.blocks)} blocks, expected 1 to {MAX_BLOCKS}",
            file=str(path),
        )
    owners = [block.owner for block in layout_of(heap).blocks]
    misnamed = next((owner for owner in owners if not 0 < len(owner) <= MAX_OWNER), None)
    if misnamed is not None:
        raise LayoutFileError(
            f'not saved: the owner "{shortened(misnamed, 40)}" has {len(misnamed)} characters, '
            f"expected 1 to {MAX_OWNER}",
            file=str(path),
        )
    text = layout_text(
        LayoutFile(
            game=bridge.schema.file.game.name,
            build=frame.build,
            heap=heap.name,
            title=printable(arguments.title),
            saved_from=printable(f"{frame.source}, frame {frame.number}"),
            blocks=tuple(
                BlockTable(
                    owner=b.owner,
                    size=b.size,
                    used=b.used,
                    at=b.at,
                    literal=b.owner in set(Wildcard),
                )
                for b in layout_of(heap).blocks
            ),
        )
    )
    try:
        with path.open("w" if arguments.force else "x", encoding="utf-8", newline="\n") as file:
            file.write(text)
    except OSError as fault:
        reason = (system_words(fault) or str(fault)).lower()
        raise LayoutFileError(f"cannot be written: {reason}", file=str(path)) from fault
    print(title(frame))
    print(f"{_counted(len(heap.blocks))} saved to {printable(str(path))}")
    return 0


def _comparer(arguments: argparse.Namespace) -> Callable[[Path | None], int]:
    file = load_layout(arguments.layout)
    bridge, ready = _prepared(arguments)
    game = bridge.schema.file.game.name
    if file.game != game:
        raise LayoutFileError(
            f'is a layout of "{file.game}", expected one of "{game}"', file=str(arguments.layout)
        )

    def compared(dump: Path | None) -> int:
        asked = with_dump(bridge, dump, arguments.format)
        frame, heap = take_heap(asked, ready, arguments.wait, arguments.frame)
        return _compared(
            arguments, dump, file, frame, heap_of(heap, arguments.heap or file.heap or None)
        )

    return compared


def _compared(
    arguments: argparse.Namespace, dump: Path | None, file: LayoutFile, frame: Frame, heap: Heap
) -> int:
    if len(heap.blocks) > MAX_BLOCKS:
        raise LayoutFileError(
            f"not compared: the heap has {len(heap.blocks)} blocks, expected at most {MAX_BLOCKS}",
            file=str(arguments.layout),
        )
    expected = layout_from(file)
    found = compare(expected, layout_of(heap), ignore_sizes=arguments.ignore_sizes)
    words = first_words(found)
    note = ""
    if sizes_may_differ(found, file, frame.build):
        note = (
            f"saved on {file.build}, compared on {frame.build}, where sizes may differ; "
            "--ignore-sizes compares owners and use alone"
        )
    if arguments.json:
        answer = comparison_json(found, words, note, frame, heap)
        print_json(arguments, dump, answer, "comparison")
    else:
        print(title(frame))
        print(printable(words))
        for each in taken(found):
            print(printable(taken_words(found, each)))
        for remark in (heap.damaged, note):
            if remark:
                print(printable(f"note: {remark}"))
        if found.first is not None or arguments.all:
            print()
            for line in _list(found, every=arguments.all):
                print(line)
    return 0 if found.first is None and heap.damaged is None else 1


def _prepared(arguments: argparse.Namespace) -> tuple[Bridge, dict[str, PreparedBuild]]:
    # without what may name layouts that are yet to be saved
    bridge = given_bridge(arguments, layouts=False)
    bare: dict[str, Any] = {
        "watches": (),
        "steps": (),
        "attempts": None,
        "layouts": {},
        "plan": None,
    }
    bridge = Bridge(bridge.file.model_copy(update=bare), bridge.text, bridge.schema)
    return bridge, prepare(bridge, installed_functions())


def _counted(blocks: int) -> str:
    return f"{blocks} block{'s' * (blocks != 1)}"


def _list(found: Comparison, *, every: bool) -> list[str]:
    """Both layouts side by side; long runs of the same are told by their count."""
    rows: list[Sequence[str]] = [("expected", "", "", "", "", "found", "", "", "")]
    skipped: dict[int, int] = {}
    for same, run in groupby(found.lines, key=lambda line: line.sort is Sort.SAME):
        lines = list(run)
        if same and not every and len(lines) > 2 * _AROUND + 1:
            rows += [_row(found, line) for line in lines[:_AROUND]]
            skipped[len(rows)] = len(lines) - 2 * _AROUND
            lines = lines[-_AROUND:]
        rows += [_row(found, line) for line in lines]
    text: list[str] = []
    for number, line in enumerate(columns(rows)):
        if number in skipped:
            text.append(f"… {_counted(skipped[number])} the same")
        text.append(line)
    return text


def _row(found: Comparison, line: Line) -> Sequence[str]:
    return (
        *_cells(found.expected, line.expected),
        "" if line.sort is Sort.SAME else str(line.sort),
        *_cells(found.found, line.found),
    )


def _cells(layout: Layout, number: int | None) -> tuple[str, str, str, str]:
    if number is None:
        return ("", "", "", "")
    block = layout.blocks[number]
    place = "" if block.at is None else place_words(block.at)
    size = "" if block.run else "any" if block.size is None else f"0x{block.size:X}"
    return (str(number), owner_words(block), size, place)
