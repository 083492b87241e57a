"""Frames from a source, evaluated: the loop that joins what a frame takes.

    pace ──▶ lines ──▶ watches ──▶ missing lines, again ──▶ guard ──▶ questions ──▶ frame
              ▲                                              │ torn
              └──────────────────────────────────────────────┘

When a frame is there is said by ``bridge.sampling.pace`` or by the source itself, which lines it
needs by ``line_fetcher``, whether a sample of it is whole by ``whole_frame_guard``, and which one
it is by ``frame_numbers``.  What outlives the source is the ``Continuity``'s.
"""

from __future__ import annotations

import contextlib
from collections.abc import Sequence
from dataclasses import replace
from typing import Self

from bridge.builds.evidence import Identity
from bridge.builds.identifier import Identifier
from bridge.evaluation.condition_view import ConditionView
from bridge.evaluation.evaluator import Evaluator
from bridge.evaluation.frame_readings import frame_readings
from bridge.memory.byte_order import ByteOrder
from bridge.ports.source import Consistency, Opened, Source, Torn
from bridge.prepared import PLAN, PreparedBuild
from bridge.readings.frame import Frame, Stats
from bridge.readings.reading import Reading, Watch
from bridge.sampling.continuity import Continuity
from bridge.sampling.counter_pace import AGAIN, JUMPED, RESET
from bridge.sampling.frame_count import Count, Follows
from bridge.sampling.frame_numbers import FrameNumbers
from bridge.sampling.line_fetcher import LineFetcher
from bridge.sampling.pace import SamplingPace
from bridge.sampling.setup import SamplingSetup
from bridge.sampling.whole_frame_guard import WholeFrameGuard
from bridge.values.status import Status

__all__ = ["IDENTIFY_EVERY", "MAX_TRIES", "MAX_TRY", "TRY_AGAIN", "WITHOUT_FRAME", "Sampler"]

MAX_TRIES = 400
MAX_TRY = 0.25
"""Samples of one frame, and seconds, after which it is given up for torn."""
TRY_AGAIN = 0.0005
IDENTIFY_EVERY = 0.25
WITHOUT_FRAME = 0.1
"""Seconds without a frame after which a new question is answered from the last one."""


class Sampler:
    """Takes frames from one open source, which holds what *opened* says.

    *continuity* is what goes on from the source before, where there was one: counts, and the state
    that spans frames, unless the game's own counter has gone back.  ``prepared`` is the running
    build, None while it is not known.
    """

    def __init__(
        self,
        source: Source,
        setup: SamplingSetup,
        opened: Opened,
        continuity: Continuity | None = None,
    ) -> None:
        self.source = source
        self.opened = opened
        self.memory = opened.memory
        self.prepared_builds = setup.prepared_builds
        self.prepared: PreparedBuild | None = None
        self._clock = clock = setup.clock
        self._continuity = continuity or Continuity(clock)
        self._questions = self._continuity.questions
        self._identifier = Identifier(source, setup.prepared_builds, opened, setup.declared)
        self._lines = LineFetcher(source, opened, self._identifier.marks, self._continuity)
        self._numbers = FrameNumbers(source, clock, self._continuity.source_opened(opened))
        self._pace = SamplingPace(clock, setup.rate, self._lines, self._numbers)
        self._lag = self.stats.lag
        self._evaluator: Evaluator | None = None
        self._begun = source.passes
        for observer in self._continuity.observers:
            observer.source_opened(source, opened)
        self._last: Frame | None = None
        self._standing: Frame | None = None
        self._ask_again_at = 0.0

    @classmethod
    async def open(
        cls, source: Source, setup: SamplingSetup, continuity: Continuity | None = None
    ) -> Self:
        """Open *source* and take frames from it.  Raises SourceError and its leaves."""
        return cls(source, setup, await source.open(setup.memory), continuity)

    @property
    def stats(self) -> Stats:
        """The counts so far, those of the sources before among them."""
        return self._continuity.stats

    @property
    def watches(self) -> Sequence[Watch]:
        """The watches of the running build; of the first where none is known."""
        prepared = self.prepared or next(iter(self.prepared_builds.values()))
        return prepared.watches

    @property
    def order(self) -> ByteOrder:
        """The byte order in which the source holds the guest's bytes; big while it is unknown."""
        return self._lines.order

    @property
    def consistency(self) -> str:
        """Why this source's frames can be taken for whole, if they can."""
        vouched = self.source.consistency
        if vouched is Consistency.UNGUARDED and self.prepared is not None and self.prepared.guard:
            return Consistency.GUARDED
        return vouched

    async def next(self) -> Frame:
        """Wait for a new frame and evaluate it.

        Raises SourceLost when the source is gone, and SourceUnusable where it holds no build that
        the schema knows and never will.
        """
        while True:
            self._prepare_questions()
            sent = await self._wait()
            self._standing = None
            if self.prepared is None:
                reason = await self._identify()
                if reason:
                    self._no_frame(reason)
                    frame = self._waiting(reason)
                    if self._last is None or self._last.note != reason:
                        self._last = frame
                        return frame
                    if not self.source.cadence.announced:
                        await self._clock.sleep(IDENTIFY_EVERY)
                    continue
                self._prepare_questions()
            try:
                taken = await self._take(sent)
            except Torn as fault:
                self._continuity.count(unwhole=1)
                last = self._last = self._last or self._waiting(str(fault))
                self._no_frame(str(fault))
                return replace(last.stale(str(fault), self._clock.now()), stats=self.stats)
            if taken is not None:
                self._last = self._standing = taken
                self._ask_again_at = self._clock.now() + WITHOUT_FRAME
                return taken

    async def _wait(self) -> int | None:
        """Until a new frame is there; gives the sender's number of it."""
        cadence, prepared = self.source.cadence, self.prepared
        if cadence.announced:
            return await self.source.wait()
        counted = prepared is not None and prepared.frame is not None and not cadence.costly
        if prepared is not None and counted and self._numbers.known:
            await self._pace.by_the_counter(prepared, self._stands)
        else:
            await self._pace.by_the_clock()
        return None

    # questions

    async def answer_standing(self) -> bool:
        """Answer new questions from the last frame, where no newer one has come.

        Whether every question has some answer now; false while a frame is being taken.

        This is done by itself while the game's counter is looked at.  Of a source that announces
        its frames it may be called while :meth:`next` waits, and then only uses what is there; of
        one that stands still, afterwards.
        """
        frame, questions = self._standing, self._questions
        self._ask_again_at = self._clock.now() + WITHOUT_FRAME
        if frame is None or questions is None:
            return False
        answered = await questions.between_frames(
            frame.number, frame.time, may_fetch=not self.source.cadence.announced
        )
        self._lines.expect_touched()
        return answered

    async def _stands(self) -> None:
        if self._questions is not None and self._clock.now() >= self._ask_again_at:
            await self.answer_standing()

    def _prepare_questions(self) -> None:
        prepared, main = self.prepared, self._evaluator
        if self._questions is not None and prepared is not None and main is not None:
            self._questions.before_frame(prepared, main, self._numbers.last)

    def _no_frame(self, reason: str) -> None:
        if self._questions is not None:
            self._questions.no_frame(reason)

    async def _ask(
        self, prepared: PreparedBuild, evaluator: Evaluator, guard: WholeFrameGuard
    ) -> None:
        """Evaluate the questions on the sample at hand, of which the watches are whole."""
        if self._questions is None:
            return
        image = self._lines.image
        watched = bytes(image.touched) if guard.twice else b""

        async def confirm() -> bool:
            new = [n for n in image.touched_lines() if not watched[n] and image.held[n]]
            return await self._lines.same_again(new)

        await self._questions.on_sample(
            *(prepared, evaluator, image, guard.fetch_late), confirm if guard.twice else None
        )

    # which build

    async def _identify(self) -> str:
        """Find the running build and the byte order; gives a reason where that is not possible."""
        found = await self._identifier.find(self._lines.want_always)
        if isinstance(found, str):
            return found
        self._build_found(found)
        return ""

    def _build_found(self, identity: Identity) -> None:
        prepared = self.prepared = self.prepared_builds[identity.build]
        self._lines.build_found(identity.order, prepared.counter)
        self._numbers.build_found(prepared.counter)
        self._evaluator = None
        counter = prepared.guard[1] if prepared.guard else prepared.frame
        if counter is not None:
            self.source.know_counter(counter.address, counter.size)
        if self.source.consistency is not Consistency.STILL:
            self._evaluate_with(prepared, whole=False)

    def _build_lost(self) -> None:
        self.prepared = None
        self._lines.build_lost()
        self._continuity.build_lost()
        self._continuity.cut_off("the game is not recognised any more")

    def _evaluate_with(self, prepared: PreparedBuild, *, whole: bool) -> Evaluator:
        """Another evaluator, which goes on from the one before the source was lost."""
        evaluator = self._evaluator = Evaluator(
            *(prepared.program, prepared.layout, self.memory),
            whole=whole,
            processor_time=self._clock.processor_time,
        )
        evaluator.guest = self.opened.guest
        evaluator.absent_status = self.opened.absent_status
        evaluator.absent_words = self.opened.absent_words
        if self._continuity.build_found(prepared, evaluator, self._numbers.count):
            self._numbers.goes_on()
        if not whole:
            self._lines.expect(sorted(evaluator.static_lines))
        return evaluator

    # taking a frame

    async def _take(self, sent: int | None) -> Frame | None:
        """One frame, taken again until it is whole; None where it is none, or the build changed."""
        prepared = self.prepared
        assert prepared is not None
        evaluator = await self._at_hand(prepared)
        guard = WholeFrameGuard(prepared, self.source.consistency, self._lines, self._numbers)
        began_trying, tries = self._clock.now(), 0
        while True:
            count = None
            # a source that could not keep the sample to one moment says so by itself
            with contextlib.suppress(Torn):
                async with self.source.held_still():
                    count = await self._attempt(prepared, evaluator, guard, sent)
            if count is not None:
                break
            tries += 1
            self._continuity.count(torn=1)
            # what waits for us is the same the next time
            if (
                tries >= MAX_TRIES
                or self.source.patient
                or self._clock.now() - began_trying > MAX_TRY
            ):
                raise Torn(guard.torn_words())
            self._lines.expect_again()
            await self._clock.sleep(TRY_AGAIN)
        if not self._identifier.stands(prepared.layout, self._lines.image):
            self._build_lost()
            return None
        costly = self.source.cadence.costly and prepared.frame is not None
        if costly and self._numbers.is_last(count):
            if self._questions is not None and self._last is not None:
                self._questions.same_frame(self._last.number, self._last.time)
            return None
        return self._accept(prepared, evaluator, count)

    async def _at_hand(self, prepared: PreparedBuild) -> Evaluator:
        """The evaluator; all of a source that stands still is fetched, once for each frame."""
        evaluator = self._evaluator
        again = self._lines.image.whole and self.source.cadence.announced
        if evaluator is not None and not again:
            return evaluator
        whole = await self._lines.fetch_whole()
        if evaluator is None or not whole:
            evaluator = self._evaluate_with(prepared, whole=whole)
        return evaluator

    async def _attempt(
        self,
        prepared: PreparedBuild,
        evaluator: Evaluator,
        guard: WholeFrameGuard,
        sent: int | None,
    ) -> Count | None:
        """Sample and evaluate once; gives the frame's number, None where the sample is torn."""
        lines, numbers = self._lines, self._numbers
        image = lines.image
        numbers.sample_begins()
        if self._continuity.observers:
            self._sample_begins(prepared)
        await guard.begins()
        await lines.fetch_frame()
        if not await guard.passes():
            return None
        numbers.sample_ends()
        if self.source.passes != self._begun:
            self._begun = self.source.passes
            self._forget(evaluator, AGAIN)
        count = numbers.of_sample(image, sent)
        if count.follows in (Follows.RESET, Follows.JUMPED):
            # two halves of a counter that is read in its midst are no reset
            if guard.twice and not await lines.same_again(lines.always()):
                return None
            numbers.count.was_too_fast(count)
            self._forget(evaluator, RESET if count.follows is Follows.RESET else JUMPED)
            count = numbers.of_sample(image, sent)
        missing, again = evaluator.evaluate(image, count.number), False
        while missing:
            await lines.fetch_lines(missing)
            missing, again = evaluator.evaluate(image, count.number, again=True), True
        if again and not await guard.passes():
            return None
        if guard.twice and not await lines.same_again(image.touched_lines()):
            return None
        await self._ask(prepared, evaluator, guard)
        return count

    def _forget(self, evaluator: Evaluator, reason: str) -> None:
        """What spans frames begins again."""
        self._continuity.count(resets=1)
        self._numbers.forget()
        evaluator.clear()
        if self._questions is not None:
            self._questions.forget()
        self._continuity.cut_off(reason)

    def _accept(self, prepared: PreparedBuild, evaluator: Evaluator, count: Count) -> Frame:
        """The frame is taken."""
        evaluator.commit()
        unclear = self._numbers.unclear(count)
        if unclear and (words := self._continuity.unclear.came(unclear)):
            self.source.notes.append(words)
        before = self._numbers.count.last
        last = None if before is None else before.number
        skipped = self._numbers.took(count)
        lag = self._lag + self._pace.lag - self.stats.lag
        self._continuity.count(frames=1, skipped=skipped, unclear=bool(unclear), lag=lag)
        self._lines.frame_taken()
        make = frame_readings(evaluator, prepared.watches, prepared.program.watches)
        written, now = self.source.written_at, self._clock.now()
        day = self._clock.time_of_day() if written is None else written
        missed = None if unclear else skipped
        passed = now if self.source.moment is None else self.source.moment
        self._observed(count.number, last, missed, (passed, day))
        if self._questions is not None:
            self._questions.after_frame(count.number, day)
        heap_events = None
        if (heap := self._continuity.heap) is not None:
            heap_events = heap.take(
                *(count.number, day, evaluator.heap_seen),
                numbered=self._numbers.numbered,
                unclear=bool(unclear),
            )
        practice = None
        practising, standstill = self._continuity.practising, self._continuity.standstill
        if practising is not None:
            stood = 0.0 if standstill is None else standstill.noticed()
            if stood and not self.source.patient:
                practising.stood_still(stood)
            practice = practising.take(
                *(ConditionView(evaluator), day, make),
                ticks=passed,
                numbered=self._numbers.numbered,
                unclear=count.reason,
            )
        plan = None
        slot = prepared.program.watches.get(PLAN)
        if (following := self._continuity.plan) is not None and slot is not None:
            fault = evaluator.faults[slot]
            plan = following.take(
                *(prepared.layout.name, evaluator.place(), "" if fault is None else fault.reason),
                evaluator.heap_seen,
            )
        return Frame(
            count.number,
            day,
            prepared.layout.name,
            self.source.name,
            str(self.consistency),
            make,
            self.stats,
            practice=practice,
            plan=plan,
            heap=evaluator.heap_seen,
            heap_events=heap_events,
            paths=self.source.paths,
            ticks=now,
        )

    def _sample_begins(self, prepared: PreparedBuild) -> None:
        from bridge.ports.memory_observer import FrameCounters

        counters = FrameCounters(prepared.layout.name, prepared.counter, prepared.guard)
        for observer in self._continuity.observers:
            observer.sample_begins(counters, self._lines.order)

    def _observed(
        self, number: int, last: int | None, missed: int | None, times: tuple[float, float]
    ) -> None:
        """Hand the frame's memory to those who want it."""
        if not self._continuity.observers:
            return
        from bridge.ports.memory_observer import TakenMemory

        image = self._lines.image
        lines = {*image.touched_lines(), *self._lines.always()}
        taken = TakenMemory(
            *(number, last, missed, *times, Consistency(self.consistency)),
            *(image, [line for line in lines if image.held[line] or line in image.partial]),
        )
        for observer in self._continuity.observers:
            observer.frame_taken(taken)

    def _waiting(self, reason: str) -> Frame:
        watches = list(self.watches)

        def make() -> list[Reading]:
            return [Reading(watch, Status.WAITING, reason=reason) for watch in watches]

        practising = self._continuity.practising
        practice = practising.practice if practising is not None else None
        heap = self._continuity.heap
        return Frame(
            *(0, self._clock.time_of_day(), "", self.source.name, str(self.consistency), make),
            *(self.stats, reason, practice),
            plan=self._continuity.plan.followed if self._continuity.plan is not None else None,
            heap_events=heap.told if heap is not None else None,
            paths=self.source.paths,
            ticks=self._clock.now(),
        )
