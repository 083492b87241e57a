"""Tallies counted again, from recordings and dumps.

In a recording every frame is evaluated, so a moment is what it is in a live game: the frame in
which the condition became true.  Frames that the recording lacks were missed here as well.  A dump
is a single frame, of which nobody knows what was before: it is one moment where the condition is
true in it.
"""

from __future__ import annotations

import asyncio
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path

from adapters.attempts.database import TallyCount
from adapters.attempts.tallies_json import Counts
from adapters.commands.one_frame import take_frame, with_dump
from adapters.recordings.chunk_index import MAGIC
from adapters.sources.replay import RecordingReplay
from bridge.attempts import Attempt
from bridge.keeper import Keeper
from bridge.plan import Plan, memory_map
from bridge.practising import Practising, Rules
from bridge.readings import Reading, Watch
from bridge.sampler import Sampler
from bridge.values import Value
from schemas.errors import SourceEnded, SourceLost
from schemas.loader import Bridge

_WAIT = 10.0


class _Counting(Keeper):
    """Counts, and keeps nothing."""

    def __init__(self) -> None:
        self.counts: Counter[tuple[str, str, str]] = Counter()
        self.in_gaps: Counter[tuple[str, str, str]] = Counter()
        self.values: dict[str, Value | None] = {}

    async def open(self) -> Sequence[Attempt]:
        return []

    def began(self, attempt: Attempt) -> None:
        """Attempts are not looked at."""

    def ended(self, attempt: Attempt) -> None:
        """Attempts are not looked at."""

    def tallied(
        self, expression: str, build: str, value: Value | None, *, whole: bool = True
    ) -> None:
        key = repr(value)
        self.values[key] = value
        (self.counts if whole else self.in_gaps)[expression, build, key] += 1

    async def close(self) -> None:
        """Nothing is open."""


def replayed(bridge: Bridge, plans: Mapping[str, Plan], files: Sequence[Path]) -> Counts:
    """What the tallies of *plans* count in recordings and dumps.  Raises SourceError."""
    counting = _Counting()
    for path in files:
        if _is_recording(path):
            asyncio.run(_replay(bridge, plans, path, counting))
        else:
            _look(bridge, plans, path, counting)
    found: Counts = {}
    seen = dict(counting.counts.most_common())
    for place in (*seen, *(place for place in counting.in_gaps if place not in seen)):
        expression, build, key = place
        count = TallyCount(counting.values[key], seen.get(place, 0), counting.in_gaps[place])
        found.setdefault((expression, build), []).append(count)
    return found


async def _replay(
    bridge: Bridge, plans: Mapping[str, Plan], path: Path, counting: _Counting
) -> None:
    source = RecordingReplay(path)
    try:
        memory = await source.open(memory_map(bridge.schema))
        sampler = Sampler(
            source,
            plans,
            memory,
            declared=None,
            rate=bridge.file.sampling.rate,
            practising=Practising(Rules(), counting),
        )
        while True:
            await sampler.next()
    except SourceEnded:
        return
    finally:
        await source.close()


def _look(bridge: Bridge, plans: Mapping[str, Plan], path: Path, counting: _Counting) -> None:
    """Count in one dump, by watches that are what each tally is called with."""
    looking = {}
    for name, plan in plans.items():
        slots = plan.program.slots
        watches: list[Watch] = []
        places: dict[str, int] = {}
        for slot in slots:
            spec = slot.over_frames
            if spec is not None and spec.function == "tally":
                for number in spec.arguments:
                    places[watch := f"{len(watches)}"] = number
                    watches.append(Watch(watch, slot.text, slot.text, slots[number].type))
        program = replace(plan.program, watches=places)
        looking[name] = replace(plan, program=program, watches=tuple(watches))
    frame = take_frame(with_dump(bridge, path), looking, _WAIT)
    for value, when in zip(frame.readings[::2], frame.readings[1::2], strict=True):
        if _value(when):
            counting.tallied(value.watch.label, frame.build, _value(value))


def _value(reading: Reading) -> Value | None:
    return reading.value if reading.status.has_value else None


def _is_recording(path: Path) -> bool:
    try:
        with path.open("rb") as stream:
            return stream.read(len(MAGIC)) == MAGIC
    except OSError as fault:
        reason = (fault.strerror or str(fault)).lower()
        raise SourceLost(f"{path} cannot be read: {reason}", source=path.name) from fault
