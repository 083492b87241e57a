"""A recording that is looked at: evaluated from its beginning on, asked for any moment of it."""

from __future__ import annotations

import asyncio
import contextlib
from array import array
from bisect import bisect_left, bisect_right
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from adapters.functions import installed_functions
from adapters.json_forms.heap_events import event_json, event_words
from adapters.recordings.reader import Recording, open_recording
from adapters.sessions.pasts.kept_frames import KeptFrames, Packs
from adapters.sessions.pasts.marks import Mark, MarkFinder
from adapters.sessions.pasts.reaching import Reached
from adapters.sessions.pasts.read_by import ReadBy, read_by
from adapters.sessions.pasts.recorded_clock import RecordedClock
from adapters.sessions.setup import sampling_setup
from adapters.sources.recording.replay_from import PlacedReplay, ReplayFrom
from bridge.expressions.program import Program
from bridge.heap.blocks import Heap
from bridge.heap.events import HeapEvents
from bridge.ports.source import Source
from bridge.prepared import PreparedBuild, prepare, with_heap
from bridge.readings.frame import Frame
from bridge.sampling.continuity import Continuity
from bridge.sampling.practice_tracker import PracticeTracker, Rules
from bridge.sampling.sampler import Sampler
from bridge.sampling.setup import SamplingSetup
from schemas.errors import LowhalfError, NoSuchPast, SourceEnded
from schemas.loader import Bridge

__all__ = ["MAX_HEAP_MARKS", "Forms", "Past"]

MAX_HEAP_MARKS = 2000
_FROM_BEGINNING = (
    "functions over frames, steps and attempts count from the beginning of this recording"
)


@dataclass(frozen=True, slots=True)
class Forms:
    """How pages are sent a frame with some parts, and an answer to an expression."""

    frame: Callable[[Frame, frozenset[str]], dict[str, Any]]
    answer: Callable[[str, Any], dict[str, Any]]


class Past:
    """A recording, evaluated by *running* where that knows its build.

    A *place* is a frame's index in it, from 0.  ``fault`` is why no more frames come, else empty.
    """

    def __init__(self, path: Path, running: Bridge, forms: Forms) -> None:
        self.path = path
        self.forms = forms
        self.fault = ""
        self.count = 0
        self.reached = Reached()
        self.opened = Reached()
        self.marks: list[Mark] = []
        self.starts: list[tuple[int, int, float]] = []
        self.recording: Recording | None = None
        self.read: ReadBy | None = None
        self.prepared: dict[str, PreparedBuild] = {}
        self.frames = KeptFrames({})
        self._running = running
        self._events = Packs()
        self._event_places = array("Q")
        self._groups: list[int] = []
        self._first_time = 0.0
        self._finder = MarkFinder()
        self._heap_marks = 0
        self._heap: tuple[int, Heap | None] | None = None
        self._note = ""
        self._task = asyncio.create_task(self._evaluate(), name="past")

    async def close(self) -> None:
        """Evaluate no more."""
        self._task.cancel()
        await asyncio.gather(self._task, return_exceptions=True)

    # asked for

    async def timeline(self) -> dict[str, Any]:
        """How many frames there are and are evaluated, where groups begin, and all marks so far."""
        await self.opened.wait(0)
        ready = self.reached.count
        rate = 0.0
        if len(self.starts) > 1:
            (first, _, begun), (last, _, now) = self.starts[0], self.starts[-1]
            rate = (last - first) / (now - begun) if now > begun else 0.0
        return {
            "count": ready if self.fault else max(self.count, ready),
            "ready": ready,
            "fault": self.fault,
            "rate": round(rate, 2),
            "starts": self.starts,
            "marks": [mark.as_json() for mark in self.marks],
            "more_heap": len(self._event_places) > self._heap_marks,
        }

    async def frame(self, place: int) -> Frame:
        """The frame at a place.  Raises NoSuchPast where there is none, PastNotReady."""
        if place < 0 or not await self.reached.wait(place):
            there = f"it has {self.reached.count} frames"
            raise NoSuchPast(f"there is no place {place}: {self.fault or there}")
        found: Frame = self.frames[place]
        return found

    async def moment(self, place: int, parts: frozenset[str]) -> dict[str, Any]:
        """What pages are sent of a frame, as of a live one."""
        frame = await self.frame(place)
        notes = [frame.note, self._note]
        if "heap" in parts:
            try:
                frame = replace(frame, heap=await self._heap_at(place))
            except LowhalfError as fault:
                notes.append(f"the heap cannot be shown: {fault}")
        frame = replace(frame, note="; ".join(filter(None, notes)))
        shown = self.forms.frame(frame, parts)
        return {**shown, "place": place, "seconds": round(frame.time - self._first_time, 6)}

    async def next_mark(self, place: int, kind: str, *, backwards: bool) -> dict[str, Any]:
        """The nearest mark of a kind behind a place, or before it."""
        if backwards:
            await self.reached.wait(place)
            return self._told(self._last_before(place, kind))
        at = place
        while (found := self._first_behind(place, kind)) is None:
            at = max(at + 1, self.reached.count)
            if not await self.reached.wait(at):
                found = self._first_behind(place, kind)
                break
        return self._told(found)

    async def events(self, place: int, count: int) -> list[dict[str, Any]]:
        """The last heap events up to a place, newest last."""
        await self.frame(place)
        end = bisect_right(self._event_places, place)
        return [self._events[index] for index in range(max(0, end - count), end)]

    def where(self, place: int) -> tuple[int, int]:
        """The group of the recording that a place is in, and how many frames of it are before."""
        group = bisect_right(self._groups, place) - 1
        return group, place - self._groups[group]

    def _first_behind(self, place: int, kind: str) -> Mark | None:
        if kind == "heap":
            index = bisect_right(self._event_places, place)
            return self._heap_mark(index) if index < len(self._event_places) else None
        first = bisect_right(self.marks, place, key=lambda mark: mark.place)
        return next((mark for mark in self.marks[first:] if mark.kind == kind), None)

    def _last_before(self, place: int, kind: str) -> Mark | None:
        if kind == "heap":
            index = bisect_left(self._event_places, place)
            return self._heap_mark(index - 1) if index else None
        end = bisect_left(self.marks, place, key=lambda mark: mark.place)
        return next((mark for mark in reversed(self.marks[:end]) if mark.kind == kind), None)

    def _heap_mark(self, index: int) -> Mark:
        event = self._events[index]
        return Mark(event["place"], event["frame"], "heap", event["words"])

    def _told(self, mark: Mark | None) -> dict[str, Any]:
        if mark is None:
            return {"place": None, "frame": None, "words": "", "error": None}
        return {"place": mark.place, "frame": mark.frame, "words": mark.words, "error": None}

    async def _heap_at(self, place: int) -> Heap | None:
        if self._heap is not None and self._heap[0] == place:
            return self._heap[1]
        asking = {
            name: with_heap(replace(each, program=Program((), {}, each.program.heap), watches=()))
            for name, each in self.prepared.items()
            if each.program.heap is not None
        }
        heap = None
        if len(asking) == len(self.prepared):
            assert self.read is not None
            source = ReplayFrom(self.path, *self.where(place))
            try:
                setup = _setup(self.read.bridge, asking, source)
                sampler = await Sampler.open(source, setup, Continuity(setup.clock))
                heap = (await sampler.next()).heap
            finally:
                await source.close()
        self._heap = place, heap
        return heap

    # evaluating

    async def _evaluate(self) -> None:
        try:
            await self._open()
            await self._follow()
        except SourceEnded:
            """All has been evaluated."""
        except LowhalfError as fault:
            self.fault = str(fault)
        except asyncio.CancelledError:
            self.fault = "it was closed"
            raise
        except Exception as fault:  # a fault of ours, which is told rather than waited out
            self.fault = f"{type(fault).__name__}: {fault}"
        finally:
            self.opened.end()
            self.reached.end()

    async def _open(self) -> None:
        recording = self.recording = await asyncio.to_thread(open_recording, self.path)
        read = self.read = await asyncio.to_thread(read_by, self._running, recording)
        prepared = self.prepared = prepare(read.bridge, installed_functions())
        self.frames = KeptFrames({name: each.watches for name, each in prepared.items()})
        spans_frames = any(
            slot.over_frames for each in prepared.values() for slot in each.program.slots
        )
        rules = Rules.of(read.bridge.file)
        counts = spans_frames or rules.steps or rules.attempts
        self._note = "; ".join(filter(None, (read.note, _FROM_BEGINNING if counts else "")))
        for group in range(len(recording.groups)):
            try:
                self.count += await asyncio.to_thread(recording.count, group)
            except LowhalfError:
                break  # evaluating tells why
        self.opened.come(1)

    async def _follow(self) -> None:
        assert self.read is not None
        source = PlacedReplay(self.path)
        bridge = self.read.bridge
        asking = {
            name: with_heap(each) if each.program.heap is not None else each
            for name, each in self.prepared.items()
        }
        setup = _setup(bridge, asking, source)
        rules = Rules.of(bridge.file)
        practising = PracticeTracker(rules) if rules.steps or rules.attempts else None
        events, resets = HeapEvents(), 0
        try:
            sampler = await Sampler.open(
                source, setup, Continuity(setup.clock, practising=practising)
            )
            while True:
                frame = await sampler.next()
                if frame.stats.resets != resets:
                    resets = frame.stats.resets
                    events.forget()
                happened = [] if frame.heap is None else events.take(frame.number, frame.heap)
                self._take(source, frame, [(event_json(e), event_words(e)) for e in happened])
                await asyncio.sleep(0)
        finally:
            with contextlib.suppress(LowhalfError):
                await source.close()

    def _take(
        self, source: PlacedReplay, frame: Frame, events: list[tuple[dict[str, Any], str]]
    ) -> None:
        place = source.place
        if not len(self.frames):
            self._first_time = frame.time
        # frames that no sample was taken of are as the one before, as they are where a game runs
        shown = self.frames[len(self.frames) - 1] if len(self.frames) else frame
        while len(self.frames) < place:
            self.frames.append(shown)
        self.frames.append(frame)
        marks = self._finder.take(place, frame)
        self.marks += marks
        begins = any(mark.kind in ("reset", "gap") for mark in marks)
        while len(self._groups) <= source.group:
            self._groups.append(place)
            begins = True
        if begins:
            self.starts.append((place, frame.number, round(frame.time - self._first_time, 6)))
        for event, words in events:
            if self._heap_marks < MAX_HEAP_MARKS:
                self._heap_marks += 1
                self.marks.append(Mark(place, frame.number, "heap", words))
            self._event_places.append(place)
            self._events.append({"place": place, **event, "words": words})
        self.reached.come(len(self.frames))


def _setup(bridge: Bridge, asking: dict[str, PreparedBuild], source: Source) -> SamplingSetup:
    return replace(sampling_setup(bridge, asking), clock=RecordedClock(source))
