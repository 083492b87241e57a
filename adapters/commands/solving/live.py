"""Where solvers begin in a game: expressions read in one frame, each of which must have a value."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from pathlib import Path

from adapters.commands.console.dump_arguments import add_dump_arguments, one_dump
from adapters.commands.console.one_frame import take_frame
from adapters.commands.console.telling import tell
from adapters.functions import installed_functions
from adapters.sessions.added_watches import with_watches
from adapters.sessions.one_frame import with_dump
from adapters.words.readings import state_words
from bridge.prepared import prepare
from bridge.readings.frame import Frame
from bridge.readings.reading import Reading
from schemas.errors import LowhalfError
from schemas.loader import Bridge

__all__ = ["add_live_arguments", "read_values"]


def add_live_arguments(parser: argparse.ArgumentParser) -> None:
    """``--bridge`` and how a frame of its source is taken."""
    parser.add_argument(
        "--bridge", type=Path, metavar="BRIDGE.toml", help="the game in which it begins"
    )
    add_dump_arguments(parser, many=False)
    parser.add_argument(
        "--wait", type=float, default=10.0, metavar="S", help="seconds to wait for a frame (10)"
    )


def read_values(
    arguments: argparse.Namespace, bridge: Bridge, expressions: Sequence[str]
) -> tuple[Frame, list[Reading]]:
    """One frame, and what each expression is in it; warnings are told.

    Raises LowhalfError where one has no value, and as a frame and expressions do.
    """
    functions = installed_functions()
    asked = with_dump(bridge, one_dump(arguments), arguments.format)
    asked = with_watches(asked, expressions, functions)
    frame = take_frame(asked, prepare(asked, functions), arguments.wait, arguments.frame)
    found = {reading.watch.name: reading for reading in frame.readings}
    readings = [found[text] for text in expressions]
    for reading in readings:
        if not reading.status.has_value or reading.value is None:
            why = reading.reason or str(reading.status)
            raise LowhalfError(f"{reading.watch.name} has no value in this frame: {why}")
        if words := state_words(reading):
            tell(f"{reading.watch.name}: {words}{': ' * bool(reading.reason)}{reading.reason}")
    return frame, readings
