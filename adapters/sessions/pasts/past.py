"""A recording that is looked at: what pages ask of it, and how they are told."""

from __future__ import annotations

import asyncio
from bisect import bisect_left, bisect_right
from collections import OrderedDict
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from adapters.sessions.pasts.answers import FollowedAnswer, answer_at, needs_beginning
from adapters.sessions.pasts.evaluation import Evaluation
from adapters.sessions.pasts.marks import Mark
from adapters.sessions.pasts.rises import Rises
from adapters.sessions.pasts.sampling import replay_setup
from adapters.sources.recording.replay_from import ReplayFrom
from bridge.expressions.program import Program
from bridge.heap.blocks import Heap
from bridge.prepared import with_heap
from bridge.questions.question import Answer
from bridge.readings.frame import Frame
from bridge.sampling.continuity import Continuity
from bridge.sampling.sampler import Sampler
from schemas.errors import ExpressionError, LowhalfError, NoSuchPast, SourceError
from schemas.loader import Bridge

__all__ = ["Forms", "Past"]

_MAX_ASKED = 8
"""Expressions of which is kept what they were."""


@dataclass(frozen=True, slots=True)
class Forms:
    """How pages are sent a frame with some parts, and an answer to an expression."""

    frame: Callable[[Frame, frozenset[str]], dict[str, Any]]
    answer: Callable[[str, Answer], dict[str, Any]]


class Past:
    """Answers of the recording in *path*, while it is evaluated and after that.

    What is asked of a place that is yet to be evaluated waits for it.  All raise PastNotReady where
    that takes long, and NoSuchPast where there is no such place.
    """

    def __init__(
        self, path: Path, running: Bridge, forms: Forms, sources: Sequence[Path] = ()
    ) -> None:
        """*path* is made of *sources* first, recordings that follow each other, where given."""
        self.evaluation = Evaluation(path, running, sources)
        self._path = path
        self._forms = forms
        self._heap: tuple[int, Heap | None] | None = None
        self._rises: OrderedDict[str, Rises] = OrderedDict()
        self._answers: OrderedDict[str, FollowedAnswer | None] = OrderedDict()

    async def close(self) -> None:
        """Evaluate no more."""
        await self.evaluation.close()
        for answers in self._answers.values():
            if answers is not None:
                await answers.close()

    async def timeline(self) -> dict[str, Any]:
        """How many frames there are and are evaluated, where groups begin, and all marks so far."""
        known = self.evaluation
        await known.opened.wait(0)
        rate = 0.0
        if len(known.starts) > 1:
            (first, _, begun), (last, _, now) = known.starts[0], known.starts[-1]
            rate = (last - first) / (now - begun) if now > begun else 0.0
        return {
            "count": known.count,
            "ready": known.reached.count,
            "fault": known.fault,
            "rate": round(rate, 2),
            "starts": known.starts,
            "marks": [mark.as_json() for mark in known.marks],
            "more_heap": len(known.events) > known.heap_marks,
        }

    async def frame(self, place: int) -> Frame:
        """The frame at a place, without its heap."""
        known = self.evaluation
        if not await known.reached.wait(place):
            there = f"it has {known.reached.count} frames"
            raise NoSuchPast(f"there is no place {place}: {known.fault or there}")
        found: Frame = known.frames[place]
        return found

    async def moment(self, place: int, parts: frozenset[str]) -> dict[str, Any]:
        """What pages are sent of a frame, as of a live one."""
        frame = await self.frame(place)
        notes = [frame.note, self.evaluation.note]
        if "heap" in parts:
            try:
                frame = replace(frame, heap=await self._heap_at(place))
            except LowhalfError as fault:
                notes.append(f"the heap cannot be shown: {fault}")
        frame = replace(frame, note="; ".join(filter(None, notes)))
        seconds = round(frame.time - self.evaluation.first_time, 6)
        return {**self._forms.frame(frame, parts), "place": place, "seconds": seconds}

    async def next_mark(self, place: int, kind: str, *, backwards: bool) -> dict[str, Any]:
        """The nearest mark of a kind behind a place, or before it."""
        reached = self.evaluation.reached
        if backwards:
            await reached.wait(place)
            return _told(self._last_before(place, kind))
        at = place
        while (found := self._first_behind(place, kind)) is None:
            at = max(at + 1, reached.count)
            if not await reached.wait(at):
                found = self._first_behind(place, kind)
                break
        return _told(found)

    async def next_rise(self, place: int, text: str, *, backwards: bool) -> dict[str, Any]:
        """The nearest place behind one (or before it) where an expression turned true."""
        await self.evaluation.opened.wait(0)
        try:
            rises = await self._rises_of(text)
            found = await (rises.before(place) if backwards else rises.behind(place))
        except ExpressionError as fault:
            at = fault.column if fault.expression == text else None
            return {**_told(None), "error": {"message": fault.detail, "at": at}}
        except SourceError as fault:
            return {**_told(None), "words": str(fault)}
        if found is None:
            return {**_told(None), "words": rises.why_none(backwards=backwards)}
        return {**_told(None), "place": found, "frame": rises.frames[found]}

    async def answer(self, place: int, text: str) -> dict[str, Any]:
        """What pages are sent of an expression that is asked for, in the frame at a place."""
        await self.frame(place)
        known = self.evaluation
        asked = self._path, known.bridge, known.prepared, text
        if text not in self._answers:
            needs = await asyncio.to_thread(needs_beginning, self._path, known.bridge, text)
            if text not in self._answers:
                self._answers[text] = FollowedAnswer(*asked, self._answered) if needs else None
        followed = self._answers[text]
        self._answers.move_to_end(text)
        while len(self._answers) > _MAX_ASKED:
            _, oldest = self._answers.popitem(last=False)
            if oldest is not None:
                await oldest.close()
        if followed is not None:
            return await followed.at(place)
        return self._answered(text, await answer_at(*asked, known.where(place)), place)

    async def events(self, place: int, count: int) -> list[dict[str, Any]]:
        """The last heap events up to a place, newest last."""
        await self.frame(place)
        known = self.evaluation
        end = bisect_right(known.event_places, place)
        return [known.events[index] for index in range(max(0, end - count), end)]

    # parts

    def _answered(self, text: str, answer: Answer, place: int) -> dict[str, Any]:
        """The answer as pages are sent it; that of a watch's name has the watch's own reading."""
        frame: Frame = self.evaluation.frames[place]
        if answer.error is not None:
            answer = replace(answer, frame=frame.number)
        own = next((each for each in frame.readings if each.watch.name == text), None)
        if own is not None and answer.readings:
            *steps, result = answer.readings
            shown = replace(own, watch=result.watch)
            answer = replace(answer, make_readings=lambda: [*steps, shown])
        return self._forms.answer(text, answer)

    def _first_behind(self, place: int, kind: str) -> Mark | None:
        known = self.evaluation
        if kind == "heap":
            index = bisect_right(known.event_places, place)
            return self._heap_mark(index) if index < len(known.events) else None
        first = bisect_right(known.marks, place, key=lambda mark: mark.place)
        return next((mark for mark in known.marks[first:] if mark.kind == kind), None)

    def _last_before(self, place: int, kind: str) -> Mark | None:
        known = self.evaluation
        if kind == "heap":
            index = bisect_left(known.event_places, place)
            return self._heap_mark(index - 1) if index else None
        end = bisect_left(known.marks, place, key=lambda mark: mark.place)
        return next((mark for mark in reversed(known.marks[:end]) if mark.kind == kind), None)

    def _heap_mark(self, index: int) -> Mark:
        event = self.evaluation.events[index]
        return Mark(event["place"], event["frame"], "heap", event["words"])

    async def _heap_at(self, place: int) -> Heap | None:
        """The heap, walked in the memory of that moment; None where the schema tells of none."""
        if self._heap is not None and self._heap[0] == place:
            return self._heap[1]
        known, heap = self.evaluation, None
        if all(each.program.heaps for each in known.prepared.values()):
            asking = {
                name: with_heap(
                    replace(each, program=Program((), {}, each.program.heaps), watches=())
                )
                for name, each in known.prepared.items()
            }
            source = ReplayFrom(self._path, *known.where(place))
            setup = replay_setup(known.bridge, asking, source)
            try:
                sampler = await Sampler.open(source, setup, Continuity(setup.clock))
                heap = (await sampler.next()).heap
            finally:
                await source.close()
        self._heap = place, heap
        return heap

    async def _rises_of(self, text: str) -> Rises:
        if text not in self._rises:
            made = await asyncio.to_thread(Rises, self._path, self.evaluation.bridge, text)
            self._rises.setdefault(text, made)
        self._rises.move_to_end(text)
        while len(self._rises) > _MAX_ASKED:
            self._rises.popitem(last=False)
        return self._rises[text]


def _told(mark: Mark | None) -> dict[str, Any]:
    if mark is None:
        return {"place": None, "frame": None, "words": "", "error": None}
    return {"place": mark.place, "frame": mark.frame, "words": mark.words, "error": None}
