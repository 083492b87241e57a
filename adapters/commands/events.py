"""``lowhalf events``: what became of the heap's blocks, frame by frame, live or in recordings."""

from __future__ import annotations

import argparse
import asyncio
import contextlib
from collections.abc import AsyncIterator
from itertools import zip_longest
from pathlib import Path

from adapters.commands.console.telling import tell
from adapters.commands.console.until_stopped import run_until_stopped
from adapters.functions import installed_functions
from adapters.json_forms.heap_events import event_json, event_words
from adapters.printable import json_text, printable
from adapters.sessions.bridge_file import load_bridge
from adapters.sessions.following import every_frame, followed
from adapters.sessions.one_frame import may_be_recording
from adapters.sessions.recorded_bridge import recorded_bridge
from bridge.heap.events import HeapEvent, HeapEvents
from bridge.prepared import prepare, with_heap
from schemas.errors import LowhalfError
from schemas.loader import Bridge
from schemas.source_settings import RecordingSource

__all__ = ["add_arguments", "run"]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "files",
        type=Path,
        nargs="+",
        metavar="FILE",
        help="a bridge file, or a recording; of two recordings, where they part is told",
    )
    parser.add_argument("--bridge", type=Path, help="read recordings by this bridge file")
    parser.add_argument("--seconds", type=float, metavar="N", help="end after N seconds")
    parser.add_argument("--json", action="store_true", help="print a JSON object an event")


def run(arguments: argparse.Namespace) -> int:
    files: list[Path] = arguments.files
    if len(files) > 2:
        raise LowhalfError(f"expected one file, or two recordings, found {len(files)}")
    bridges = [_bridge(file, arguments.bridge) for file in files]
    if len(bridges) == 2:
        return run_until_stopped(_compare(bridges, as_json=arguments.json))
    return run_until_stopped(_follow(bridges[0], arguments.seconds, as_json=arguments.json))


def _bridge(file: Path, given: Path | None) -> Bridge:
    if not may_be_recording(file):
        return load_bridge(file)
    if given is None:
        return recorded_bridge(file)
    bridge = load_bridge(given)
    source = RecordingSource(kind="recording", path=str(file.absolute()), repeat=False)
    return Bridge(bridge.file.model_copy(update={"source": source}), bridge.text, bridge.schema)


async def _events(bridge: Bridge) -> AsyncIterator[HeapEvent]:
    prepared = prepare(bridge, installed_functions())
    asking = {name: with_heap(each) for name, each in prepared.items()}
    events, passes = HeapEvents(), 0
    source = every_frame(bridge, asking)
    async with contextlib.aclosing(followed(bridge, asking, source, tell=tell)) as frames:
        resets = 0
        async for frame in frames:
            if (frame.stats.resets, source.passes) != (resets, passes):
                resets, passes = frame.stats.resets, source.passes
                events.forget()
            assert frame.heap is not None
            for event in events.take(frame.number, frame.heap):
                yield event


async def _follow(bridge: Bridge, seconds: float | None, *, as_json: bool) -> int:
    with contextlib.suppress(TimeoutError):
        async with asyncio.timeout(seconds):
            async for event in _events(bridge):
                _print(event, as_json=as_json)
    return 0


def _print(event: HeapEvent, *, as_json: bool) -> None:
    print(json_text(event_json(event)) if as_json else printable(event_words(event)), flush=True)


async def _compare(bridges: list[Bridge], *, as_json: bool) -> int:
    """Tell the first event in which two recordings differ; 1 where there is one."""
    first, second = [[event async for event in _events(bridge)] for bridge in bridges]
    for number, (a, b) in enumerate(zip_longest(first, second), 1):
        if a is not None and b is not None and _what(a) == _what(b):
            continue
        sides = (a, b)
        if as_json:
            found = [None if each is None else event_json(each) for each in sides]
            print(json_text({"event": number, "a": found[0], "b": found[1]}))
            return 1
        print(f"{number - 1} events are the same; then")
        for name, each in zip("AB", sides, strict=True):
            print(printable(f"{name}: {'no more events' if each is None else event_words(each)}"))
        return 1
    if as_json:
        print(json_text({"event": None, "a": None, "b": None}))
    else:
        print(f"all {len(first)} events are the same")
    return 0


def _what(event: HeapEvent) -> tuple[str, str, str, int, int, str | None]:
    """What is compared: in which frame it came plays no part."""
    block = event.block
    was = None if event.was is None else event.was.owner
    return str(event.happened), block.heap, block.owner, block.start, block.size, was
