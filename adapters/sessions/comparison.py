"""Moments of dumps and recordings, taken whole to be compared; two recordings side by side."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncGenerator, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

from adapters.functions import installed_functions
from adapters.sessions.one_frame import Tell
from adapters.sessions.setup import sampling_setup
from adapters.sources.catalogue import make_source
from bridge.comparing.differences import Differences, compared
from bridge.comparing.held_memory import HeldMemory
from bridge.comparing.moment import Moment, MomentQuestion, moment_question
from bridge.memory.address_map import Span
from bridge.ports.guest_reader import GuestReader
from bridge.ports.source import Consistency, Source
from bridge.prepared import prepare
from bridge.readings.frame import Frame
from bridge.readings.reading import Reading
from bridge.sampling.continuity import Continuity
from bridge.sampling.sampler import Sampler
from bridge.values.value_type import Kind
from schemas.errors import ExpressionError, LowhalfError, SourceEnded, SourceUnusable
from schemas.loader import Bridge
from schemas.source_settings import RecordingSource

__all__ = [
    "LeftOut",
    "Parting",
    "Side",
    "compared_moments",
    "parting",
    "parting_from",
    "sampling_counters",
]


@dataclass(frozen=True, slots=True)
class LeftOut:
    """What is not compared: places by their paths, names that are only paths, and spans."""

    places: Sequence[str] = ()
    names: Sequence[str] = ()
    spans: Sequence[Span] = ()


@dataclass(frozen=True, slots=True)
class Side:
    """A dump, or a recording with the number of a frame; without one its frames in turn."""

    bridge: Bridge
    frame: int | None = None

    @property
    def recorded(self) -> bool:
        return isinstance(self.bridge.file.source, RecordingSource)


@dataclass(frozen=True, slots=True)
class Parting:
    """Where two recordings part: the frames and what differs in them; None where they never do.

    ``same`` counts the pairs of frames before that.
    """

    same: int
    a: Frame | None = None
    b: Frame | None = None
    differences: Differences = field(default_factory=Differences)


@dataclass(frozen=True, slots=True)
class _Taken:
    frame: Frame
    question: MomentQuestion
    sampler: Sampler

    async def moment(self) -> Moment:
        """Its memory, to be asked for before the next frame is."""
        sampler, guest = self.sampler, self.sampler.opened.guest
        spans = sampler.memory.whole()
        reader = GuestReader(sampler.source, sampler.opened, sampler.order)
        parts = await reader.fetch(spans)
        memory = HeldMemory(guest, list(zip(spans, parts, strict=True)))
        return self.question.moment(self.frame, memory)


async def compared_moments(
    a: Side, b: Side, left_out: LeftOut, *, tell: Tell
) -> tuple[Frame, Frame, Differences]:
    """Two moments and what differs between them.

    Raises SourceError and its leaves, ExpressionError for a place that is none.
    """
    frame_a, moment_a = await _one(a, left_out, tell)
    frame_b, moment_b = await _one(b, left_out, tell)
    found = await asyncio.to_thread(compared, moment_a, moment_b, _paths(left_out))
    return frame_a, frame_b, found


async def parting(a: Side, b: Side, on: str, left_out: LeftOut, *, tell: Tell) -> Parting:
    """The first pair of frames of two recordings in which anything with a name differs.

    *on* is what they are aligned on: a number, which is the same in both frames of a pair (the
    first frames that have it), or true or false: then the frames in which it becomes true are a
    pair, and so are those behind them, one by one.  Raises as :func:`compared_moments`.
    """
    same = 0
    async with (
        contextlib.aclosing(_frames(a, left_out, tell, on)) as ours,
        contextlib.aclosing(_frames(b, left_out, tell, on)) as theirs,
    ):
        async for taken_a, taken_b in _pairs(ours, theirs, on):
            moment_a, moment_b = await taken_a.moment(), await taken_b.moment()
            found = await asyncio.to_thread(compared, moment_a, moment_b, _paths(left_out))
            if found.fields:
                return Parting(same, taken_a.frame, taken_b.frame, found)
            same += 1
    if not same:
        raise LowhalfError(f"no two frames have the same {on}: nothing can be compared")
    return Parting(same)


async def parting_from(
    a: Side, b: Side, at_a: tuple[int, int], at_b: tuple[int, int], left_out: LeftOut
) -> AsyncGenerator[Differences]:
    """What differs in each pair of frames of two recordings, from one frame of each on.

    *at_a* and *at_b* are groups, and how many frames of these are passed over.  Raises as
    :func:`compared_moments`.
    """
    async with (
        contextlib.aclosing(_frames(a, left_out, _untold, start=at_a)) as ours,
        contextlib.aclosing(_frames(b, left_out, _untold, start=at_b)) as theirs,
    ):
        while True:
            taken_a, taken_b = await anext(ours, None), await anext(theirs, None)
            if taken_a is None or taken_b is None:
                return
            moment_a, moment_b = await taken_a.moment(), await taken_b.moment()
            yield await asyncio.to_thread(compared, moment_a, moment_b, _paths(left_out))


def sampling_counters(bridge: Bridge) -> list[str]:
    """The counters that number a recording's frames, which differ between two by their nature."""
    sampling = bridge.file.sampling
    guard = [sampling.guard.began, sampling.guard.ended] if sampling.guard else []
    return [each for each in (sampling.frame, *guard) if each.isidentifier()]


def _untold(words: str) -> None:
    """What a recording's source notes was told when it was opened."""


def _paths(left_out: LeftOut) -> list[str]:
    return [*left_out.places, *left_out.names]


async def _one(side: Side, left_out: LeftOut, tell: Tell) -> tuple[Frame, Moment]:
    """The one frame of a dump, or the one that is asked for of a recording."""
    group = place = 0
    if side.frame is not None:
        group, place = await asyncio.to_thread(_place, side)
    async with contextlib.aclosing(_frames(side, left_out, tell, start=(group, 0))) as frames:
        async for taken in frames:
            if not place:
                return taken.frame, await taken.moment()
            place -= 1
    raise SourceUnusable("gave no frame", source=side.bridge.path.name)


def _place(side: Side) -> tuple[int, int]:
    from adapters.recordings.reader import open_recording
    from adapters.sources.recording.frame_places import place_of

    assert side.frame is not None
    place = place_of(open_recording(_path(side)), side.frame)
    return place.group, place.index


def _path(side: Side) -> Path:
    source = side.bridge.file.source
    assert isinstance(source, RecordingSource)
    return side.bridge.path.parent / source.path


async def _pairs(
    ours: AsyncGenerator[_Taken], theirs: AsyncGenerator[_Taken], on: str
) -> AsyncGenerator[tuple[_Taken, _Taken]]:
    a, b = await anext(ours, None), await anext(theirs, None)
    begun = False
    last: float | None = None
    while a is not None and b is not None:
        value_a, value_b = _value(a.frame[on]), _value(b.frame[on])
        truth = a.frame[on].watch.type.kind is Kind.BOOLEAN
        passed = last if not truth else None if begun else False
        if value_a is None or value_a == passed:
            a = await anext(ours, None)
        elif value_b is None or value_b == passed:
            b = await anext(theirs, None)
        elif truth or value_a == value_b:
            begun, last = True, value_a
            yield a, b
            a, b = await anext(ours, None), await anext(theirs, None)
        elif value_a < value_b:
            a = await anext(ours, None)
        else:
            b = await anext(theirs, None)


def _value(reading: Reading) -> float | None:
    """What a frame is aligned on; None where it has nothing of the kind."""
    value = reading.value if reading.status.has_value else None
    return value if isinstance(value, int | float) else None


def _source(side: Side, start: tuple[int, int]) -> Source:
    if side.recorded:
        from adapters.sources.recording.replay_from import ReplayFrom

        return ReplayFrom(_path(side), *start)
    return make_source(side.bridge.file.source, side.bridge.path.parent, prepare(side.bridge))


async def _frames(
    side: Side,
    left_out: LeftOut,
    tell: Tell,
    on: str | None = None,
    start: tuple[int, int] = (0, 0),
) -> AsyncGenerator[_Taken]:
    """The frames of one side, of which each can be had whole until the next is asked for.

    Of a recording they are those from *start* on: a group, and frames of it that are passed over.
    """
    bridge = side.bridge
    watches = {watch.name: watch.expr for watch in bridge.file.watches}
    questions = {
        name: moment_question(build, watches, left_out.places, left_out.spans, on)
        for name, build in prepare(bridge, installed_functions()).items()
    }
    if on is not None:
        for question in questions.values():
            kind = next(w.type for w in question.prepared.watches if w.name == on)
            if kind.kind is Kind.TEXT:
                raise ExpressionError("is a text, expected a number or true", expression=on)
    asking = {name: question.prepared for name, question in questions.items()}
    source = _source(side, start)
    sampler: Sampler | None = None
    reason = "gave no frame"
    try:
        setup = sampling_setup(bridge, asking)
        if side.recorded:  # in guest order, whatever the bridge file says of its own source
            setup = replace(setup, declared=None)
        sampler = await Sampler.open(source, setup, Continuity(setup.clock))
        while True:
            taken = sampler.stats.frames
            frame = await sampler.next()
            await asyncio.sleep(0)  # else a signal would wait for the last frame
            if sampler.prepared is not None and sampler.stats.frames > taken:
                yield _Taken(frame, questions[frame.build], sampler)
            elif source.consistency is Consistency.STILL:
                raise SourceUnusable(frame.note, source=source.name)
            reason = frame.note or reason
            if source.consistency is Consistency.STILL:
                return
    except SourceEnded:
        if sampler is None or not sampler.stats.frames:  # of no build that the schema knows
            raise SourceUnusable(reason, source=source.name) from None
    finally:
        for note in source.notes:
            tell(f"{source.name}: {note}")
        await source.close()
