"""``--expect``: a script is told by the exit code whether all is as it should be."""

from __future__ import annotations

import argparse
from collections.abc import Sequence

from adapters.commands.console.telling import tell
from adapters.words.readings import target_words
from bridge.readings.frame import Frame
from bridge.readings.reading import Reading
from bridge.values.status import Status

__all__ = ["add_expect_argument", "met", "unmet"]


def add_expect_argument(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--expect",
        action="store_true",
        help="end with 1 also where a status is not ok, a target is missed, or an expression is "
        "false; each is told of on standard error",
    )


def met(frame: Frame, readings: Sequence[Reading]) -> bool:
    """Whether every reading is as it should be; those that are not are told of."""
    failed = False
    for reading in readings:
        why = unmet(reading)
        if why:
            failed = True
            line = f"{frame.source}: {reading.watch.name}: {why}"
            tell(line)
    return not failed


def unmet(reading: Reading) -> str:
    """Why a reading is not as it should be; empty where it is.

    Its status must be ok; its target, where it has one, must be hit; and without a target it must
    not be false.
    """
    if reading.status is not Status.OK:
        return f"{reading.status}: {reading.reason}" if reading.reason else str(reading.status)
    if reading.target == "miss":
        return f"the target is missed, {target_words(reading)}"
    if reading.target is None and reading.value is False:
        return "is false"
    return ""
