"""A recording, evaluated frame by frame from its beginning on, as the daemon would."""

from __future__ import annotations

import asyncio
import contextlib
from array import array
from bisect import bisect_right
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from adapters.functions import installed_functions
from adapters.json_forms.heap_events import event_json, event_words
from adapters.recordings.copying import copy_part
from adapters.recordings.reader import open_recording
from adapters.sessions.pasts.kept_frames import KeptFrames, Packs
from adapters.sessions.pasts.marks import Mark, MarkFinder
from adapters.sessions.pasts.reaching import Reached
from adapters.sessions.pasts.read_by import read_by
from adapters.sessions.pasts.sampling import replay_setup
from adapters.sources.recording.replay_from import PlacedReplay
from bridge.heap.events import HeapEvents
from bridge.prepared import PreparedBuild, prepare, with_heap
from bridge.questions.heap_followed import HeapFollowed
from bridge.questions.question import Question
from bridge.readings.frame import Frame
from bridge.sampling.continuity import Continuity
from bridge.sampling.practice_tracker import PracticeTracker, Rules
from bridge.sampling.sampler import Sampler
from schemas.errors import LowhalfError, SourceEnded, SourceUnusable, TooManyQuestions
from schemas.existing import is_file
from schemas.loader import Bridge
from schemas.system_words import system_words

__all__ = ["MAX_HEAP_MARKS", "Evaluation"]

MAX_HEAP_MARKS = 2000
_NEVER = 2.0**33
"""Seconds since the Unix epoch, behind all frames."""
_FROM_BEGINNING = (
    "functions over frames, steps and attempts count from the beginning of this recording"
)


class Evaluation:
    """Goes on by itself until all frames are evaluated; attempts are kept nowhere.

    *running* is the bridge that it is done by, where that knows the build; ``bridge`` and
    ``prepared`` are those by which it is, and ``note`` is what is to be said of every frame.  A
    *place* is a frame's index in the recording, from 0.  ``opened`` has its one place once it is
    known how many frames there are, ``reached`` those that are evaluated.  ``fault`` is why no more
    come, else empty.  ``events`` are all heap events as JSON, and ``event_places`` where they are.
    """

    def __init__(self, path: Path, running: Bridge, sources: Sequence[Path] = ()) -> None:
        """*path* is made of *sources*, recordings that follow each other, where there are any."""
        self.path = path
        self._sources = sources
        self.bridge = running
        self.prepared: dict[str, PreparedBuild] = {}
        self.note = self.fault = ""
        self.opened, self.reached = Reached(), Reached()
        self.frames = KeptFrames({})
        self.first_time = 0.0
        self.marks: list[Mark] = []
        self.starts: list[tuple[int, int, float]] = []
        self.events = Packs()
        self.event_places = array("Q")
        self.heap_marks = 0
        self._count = 0
        self._firsts: list[int] = []
        self._finder = MarkFinder()
        self._last: Frame | None = None
        self._task = asyncio.create_task(self._evaluate(), name="past")

    async def close(self) -> None:
        """Evaluate no more."""
        self._task.cancel()
        await asyncio.gather(self._task, return_exceptions=True)

    @property
    def count(self) -> int:
        """How many frames there are: all that will be evaluated."""
        ready = self.reached.count
        return ready if self.reached.over else max(self._count, ready)

    def where(self, place: int) -> tuple[int, int]:
        """The group of the recording that a place is in, and how many frames of it are before."""
        group = bisect_right(self._firsts, place) - 1
        return group, place - self._firsts[group]

    def place_of_step(self, name: str) -> int | None:
        """Where a step was begun first, as far as frames are evaluated."""
        return next((mark.place for mark in self.marks if mark.step == name), None)

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
        if self._sources:
            await asyncio.to_thread(_joined, self._sources, self.path)
        recording = await asyncio.to_thread(open_recording, self.path)
        read = await asyncio.to_thread(read_by, self.bridge, recording)
        self.bridge = read.bridge
        prepared = self.prepared = prepare(read.bridge, installed_functions())
        self.frames = KeptFrames({name: each.watches for name, each in prepared.items()})
        self.note = "; ".join(filter(None, (read.note, self._counts_from())))
        for group in range(len(recording.groups)):
            try:
                self._count += await asyncio.to_thread(recording.count, group)
            except LowhalfError:
                self._count += 1  # not all is there before evaluating has told why
                break
        self.opened.come(1)

    def _counts_from(self) -> str:
        rules = Rules.of(self.bridge.file)
        slots = (slot for each in self.prepared.values() for slot in each.program.slots)
        counts = rules.steps or rules.attempts or any(slot.over_frames for slot in slots)
        return _FROM_BEGINNING if counts else ""

    async def _follow(self) -> None:
        source = PlacedReplay(self.path)
        asking = {
            name: with_heap(each) if each.program.heaps else each
            for name, each in self.prepared.items()
        }
        setup = replay_setup(self.bridge, asking, source)
        rules = Rules.of(self.bridge.file)
        practising = PracticeTracker(rules) if rules.steps or rules.attempts else None
        continuity = Continuity(setup.clock, practising=practising)
        if any(each.program.heaps for each in asking.values()):
            continuity.heap = HeapFollowed(_no_question)
            continuity.heap.hold()
        events, resets = HeapEvents(), 0
        try:
            sampler = await Sampler.open(source, setup, continuity)
            while True:
                frame = await sampler.next()
                if frame.stats.resets != resets:
                    resets = frame.stats.resets
                    events.forget()
                happened = [] if frame.heap is None else events.take(frame.number, frame.heap)
                # others have their turn while the source is waited for
                self._take(source, frame, [(event_json(e), event_words(e)) for e in happened])
        finally:
            with contextlib.suppress(LowhalfError):
                await source.close()

    def _take(
        self, source: PlacedReplay, frame: Frame, events: list[tuple[dict[str, Any], str]]
    ) -> None:
        place, frames = source.place, self.frames
        if self._last is None:
            self.first_time = frame.time
        while len(frames) < place:
            # no sample was taken of it: it is as the one before, as it is where a game runs
            frames.append(self._last or frame)
        frames.append(frame)
        self._last = frame
        marks = self._finder.take(place, frame)
        self.marks += marks
        begins = any(mark.kind in ("reset", "gap") for mark in marks)
        if len(source.firsts) > len(self._firsts):
            self._firsts += source.firsts[len(self._firsts) :]
            begins = True
        if begins:
            self.starts.append((place, frame.number, round(frame.time - self.first_time, 6)))
        for event, words in events:
            if self.heap_marks < MAX_HEAP_MARKS:
                self.heap_marks += 1
                self.marks.append(Mark(place, frame.number, "heap", words))
            self.event_places.append(place)
            self.events.append({"place": place, **event, "words": words})
        self.reached.come(len(frames))


def _joined(sources: Sequence[Path], target: Path) -> None:
    """Make one recording of several, unless that was done before.  Raises LowhalfError."""
    if is_file(target):
        return
    part = target.with_suffix(".part")
    try:
        part.unlink(missing_ok=True)
        if not copy_part(sources, part, 0.0, _NEVER):
            raise SourceUnusable("nothing is kept yet", source="recording")
        part.rename(target)
        for source in sources:
            with contextlib.suppress(OSError):  # else it goes with its folder
                source.unlink()
    except OSError as fault:
        raise SourceUnusable(
            f"cannot be copied ({system_words(fault) or fault})", source="recording"
        ) from fault


def _no_question(text: str) -> Question:
    raise TooManyQuestions("every frame has its heap: nobody need ask for it")
