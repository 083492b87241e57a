"""In which frame of a recording the heap is first as each layout of a bridge has it."""

from __future__ import annotations

import asyncio
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

from adapters.functions import installed_functions
from adapters.sessions.added_watches import with_watches
from adapters.sessions.setup import sampling_setup
from adapters.sources.recording.replay import RecordingReplay
from bridge.prepared import prepare
from bridge.sampling.continuity import Continuity
from bridge.sampling.sampler import Sampler
from bridge.values.value_type import Value
from bridge.verifying.expectation import expectation
from schemas.errors import SourceEnded
from schemas.expect_file import ExpectTable
from schemas.loader import Bridge

__all__ = ["layouts_seen"]

_MATCHES: Value = "matches"


async def layouts_seen(bridge: Bridge, recording: Path) -> Mapping[str, int | None]:
    """The game's number of that frame by the layout's name; None where it never is so.

    Raises SourceError and its leaves, SchemaError and ExpressionError.
    """
    asked = {name: f'layout("{name}")' for name in bridge.file.layouts}
    watched = with_watches(bridge, list(asked.values()), installed_functions())
    builds = prepare(watched, installed_functions())
    kinds = {watch.name: watch.type for watch in next(iter(builds.values())).watches}
    wanted = {
        name: expectation(ExpectTable(expr=text, value=_MATCHES), kinds[text])
        for name, text in asked.items()
    }
    found: dict[str, int | None] = dict.fromkeys(asked)
    source = RecordingReplay(recording)
    setup = replace(sampling_setup(watched, builds), declared=None)
    try:
        sampler = await Sampler.open(source, setup, Continuity(setup.clock))
        while None in found.values():
            taken = sampler.stats.frames
            frame = await sampler.next()
            await asyncio.sleep(0)  # else a signal would wait for the last frame
            if sampler.prepared is None or sampler.stats.frames == taken:
                continue
            for name, each in wanted.items():
                if found[name] is None and each.holds(frame[each.expression]):
                    found[name] = frame.number
    except SourceEnded:
        pass
    finally:
        await source.close()
    return found
