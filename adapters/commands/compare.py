"""``lowhalf compare``: what differs between two dumps, two frames, or where two recordings part."""

from __future__ import annotations

import argparse
import re
from collections.abc import Iterator, Sequence
from pathlib import Path

from adapters.commands.console import numbers
from adapters.commands.console.dump_arguments import add_format_argument
from adapters.commands.console.tables import columns, title
from adapters.commands.console.telling import tell
from adapters.commands.console.until_stopped import run_until_stopped
from adapters.functions import installed_functions
from adapters.printable import json_text, printable
from adapters.recordings.reader import open_recording
from adapters.sessions.bridge_file import load_bridge
from adapters.sessions.comparison import (
    LeftOut,
    Side,
    compared_moments,
    parting,
    sampling_counters,
)
from adapters.sessions.one_frame import may_be_recording, with_dump
from adapters.sessions.recorded_bridge import recorded_bridge
from bridge.comparing.differences import Differences
from bridge.expressions.compiling import check
from bridge.memory.address_map import Span
from bridge.prepared import prepare
from schemas.errors import ExpressionError, LowhalfError
from schemas.existing import exists
from schemas.loader import Bridge

__all__ = ["MAX_RANGES", "add_arguments", "run"]

MAX_RANGES = 40
"""Raw ranges that the table lists; --json gives all."""

_RANGE = re.compile(r"(0[xX][0-9A-Fa-f_]+)([-+])(0[xX][0-9A-Fa-f_]+)")
_NAMED = re.compile(r"(block|at)\(0[xX]")
"""How paths begin that name blocks of the heap."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    for name in ("a", "b"):
        parser.add_argument(
            name, metavar=name.upper(), help="a dump, or a frame of a recording: FILE@FRAME"
        )
    parser.add_argument(
        "--bridge",
        type=Path,
        metavar="BRIDGE.toml",
        help="the bridge file; else the one that A was recorded with",
    )
    add_format_argument(parser)
    parser.add_argument(
        "--frame", type=int, metavar="N", help="frame N of each recording that names none"
    )
    parser.add_argument(
        "--align",
        metavar="EXPR",
        help="go through two recordings, by frames in which this number is the same, or from where "
        "this becomes true, to the first frame and field in which they part",
    )
    parser.add_argument(
        "--ignore",
        action="append",
        default=[],
        metavar="WHAT",
        help="leave out a path with all below it, a place that an expression names, or bytes: "
        "0xFIRST-0xLAST or 0xSTART+0xLENGTH; may be repeated",
    )
    parser.add_argument("--json", action="store_true", help="print one JSON object")
    parser.epilog = "exit codes: 0 nothing differs; 1 something does"


def run(arguments: argparse.Namespace) -> int:
    bridge = _bridge(arguments)
    left_out = _left_out(bridge, arguments.ignore, arguments.align)
    a, b = (_side(bridge, word, arguments) for word in (arguments.a, arguments.b))
    if arguments.align is None:
        for word, side in ((arguments.a, a), (arguments.b, b)):
            if side.recorded and side.frame is None:
                raise LowhalfError(
                    f"{word} is a recording: name a frame of it, {word}@FRAME, or --align two"
                )
        looked = compared_moments(a, b, left_out, tell=tell)
        frame_a, frame_b, found = run_until_stopped(looked)
        if arguments.json:
            print(json_text(_json(found)))
        else:
            print(f"a  {title(frame_a)}")
            print(f"b  {title(frame_b)}")
            _print(found)
        return 1 if found.fields or found.ranges else 0
    if a.frame is not None or b.frame is not None:
        raise LowhalfError("--align goes through two recordings from their beginnings")
    parts = run_until_stopped(parting(a, b, arguments.align, left_out, tell=tell))
    if arguments.json:
        frames = {
            "same": parts.same,
            "a": parts.a and parts.a.number,
            "b": parts.b and parts.b.number,
        }
        print(json_text({**frames, **_json(parts.differences)}))
    elif parts.a is None or parts.b is None:
        print(f"{parts.same} frames, aligned on {printable(arguments.align)}, with no difference")
    else:
        print(f"{parts.same} frames without a difference, then")
        print(f"a  {title(parts.a)}")
        print(f"b  {title(parts.b)}")
        _print(parts.differences)
    return 1 if parts.differences.fields else 0


def _bridge(arguments: argparse.Namespace) -> Bridge:
    if arguments.bridge is not None:
        return load_bridge(arguments.bridge)
    path, _ = _named(arguments.a)
    if not may_be_recording(path):
        raise LowhalfError(f"{path} is no recording, which holds its bridge file: add --bridge")
    read_by = "read by the bridge file and schema that it was recorded with"
    tell(f"{path.name}: {read_by}; --bridge names another")
    return recorded_bridge(path)


def _named(word: str) -> tuple[Path, int | None]:
    """A file, and the frame of it that is named."""
    path = Path(word)
    if not exists(path):
        name, at, number = word.rpartition("@")
        if at and number.isdecimal():
            return Path(name), int(number)
    return path, None


def _side(bridge: Bridge, word: str, arguments: argparse.Namespace) -> Side:
    path, frame = _named(word)
    side = Side(with_dump(bridge, path, arguments.format), frame)
    if side.recorded:
        return Side(side.bridge, arguments.frame if frame is None else frame)
    if frame is not None or arguments.align is not None:
        if may_be_recording(path):
            open_recording(path)  # which says what is wrong with it
        what = f"no frame {frame}" if frame is not None else "no frames to go through"
        raise LowhalfError(f"{path} is a dump, which has {what}")
    return side


def _left_out(bridge: Bridge, words: Sequence[str], aligned: str | None) -> LeftOut:
    """What --ignore names.  Raises ExpressionError for what is nothing of the kind.

    Where recordings are aligned, what numbers their frames differs by its nature.
    """
    places, names, spans = [], [], []
    for word in words:
        if match := _RANGE.fullmatch(word):
            first, between, last = match.groups()
            start, end = numbers.address(first), numbers.address(last)
            length = end if between == "+" else end - start + 1
            if length < 1:
                raise LowhalfError(f"--ignore {word}: expected a range that is not empty")
            spans.append(Span(start, length))
        elif _NAMED.match(word):
            names.append(word)
        else:
            places.append(word)
    if aligned is not None:
        places += sampling_counters(bridge)
    watches = {watch.name: watch.expr for watch in bridge.file.watches}
    for build in prepare(bridge, installed_functions()).values():
        for place in places:
            try:
                asked = {**watches, "": f"address({place})"}
                check(build.layout, asked, functions=build.functions)
            except ExpressionError as fault:
                raise ExpressionError(
                    f"--ignore: expected a path, a place or a range: {fault.detail}",
                    expression=place,
                ) from fault
    return LeftOut(list(dict.fromkeys(places)), names, spans)


def _json(found: Differences) -> dict[str, object]:
    return {
        "differences": [
            {"path": each.path, "address": each.address, "a": each.a, "b": each.b}
            for each in found.fields
        ],
        "ranges": [
            {"address": each.address, "length": each.length, "differing": each.differing}
            for each in found.ranges
        ],
    }


def _print(found: Differences) -> None:
    for line in _lines(found):
        print(line)


def _lines(found: Differences) -> Iterator[str]:
    if not found.fields and not found.ranges:
        yield "nothing differs"
    yield from columns(
        [[each.path, f"0x{each.address:08X}", *each.texts, each.type] for each in found.fields]
    )
    shown = found.ranges[:MAX_RANGES]
    if shown:
        yield f"bytes that nothing names, in {len(found.ranges)} ranges:"
    yield from columns(
        [[f"0x{r.address:08X}", f"0x{r.length:X} bytes", f"{r.differing} differ"] for r in shown]
    )
    if len(found.ranges) > len(shown):
        yield f"and {len(found.ranges) - len(shown)} more; --json gives all"
    if found.unheld:
        yield f"0x{found.unheld:X} bytes are held by one of them alone, and not compared"
    if not found.same_build:
        yield "they are of two builds: only what both have by the same path is compared"
