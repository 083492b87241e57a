"""Daemon lifecycle: open the source, take frames, and go on when the source is lost.

    opening ──▶ running ──source lost──▶ offline ──▶ opening …
       └──────── cancelled at any time: outputs say good-bye, the source is closed

Opening is tried again for ever, with a back-off that doubles up to a limit and is jittered, so that
many daemons do not knock in step.  While the source is gone the last readings stay, marked offline,
with their age.  A source that stands still (a dump) gives its one frame and is then kept open.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import random
from collections.abc import Coroutine, Sequence
from dataclasses import replace
from typing import Any, TypeVar

from bridge.memory.byte_order import ByteOrder
from bridge.ports.memory_observer import MemoryObserver
from bridge.ports.output import Output
from bridge.ports.source import Cadence, Opened, Source
from bridge.questions.question import Questions
from bridge.readings.frame import Frame
from bridge.readings.reading import Reading, Watch
from bridge.reporting.recurring import RecurringTrouble
from bridge.sampling.continuity import Continuity
from bridge.sampling.plan_tracker import PlanTracker
from bridge.sampling.practice_tracker import PracticeTracker
from bridge.sampling.sampler import WITHOUT_FRAME, Sampler
from bridge.sampling.setup import SamplingSetup
from bridge.sampling.standstill import EVERY, Standstill
from bridge.sampling.whole_frame_guard import NOT_WHOLE
from bridge.values.status import Status
from schemas.errors import (
    LowhalfError,
    OutputError,
    SourceEnded,
    SourceError,
    SourceUnusable,
    StreamFailed,
)

__all__ = ["AGE_EVERY", "ENDED", "FIRST_WAIT", "LAST_FRAME_SHOWN", "MAX_WAIT", "Daemon"]

FIRST_WAIT = 0.25
MAX_WAIT = 1.0
AGE_EVERY = 1.0
LAST_FRAME_SHOWN = 0.5
ENDED = "lowhalf ended"


T = TypeVar("T")


class _Ended(Exception):
    """The source has ended."""


class Daemon:
    """Runs one source into any number of outputs.

    ``setup`` is what every sampler of it is made with, its clock among it.  Every change of state
    is one line in ``log``.  ``practising`` are the steps, attempts and tallies, and ``plan`` what
    follows one, where there are any; ``questions`` is what others may ask of the game meanwhile.
    ``standstill`` tells whether lowhalf stood still itself, by the clock unless another is given.
    """

    def __init__(
        self,
        source: Source,
        outputs: Sequence[Output],
        setup: SamplingSetup,
        *,
        log: logging.Logger,
        practising: PracticeTracker | None = None,
        plan: PlanTracker | None = None,
        questions: Questions | None = None,
        standstill: Standstill | None = None,
    ) -> None:
        self.source = source
        self.outputs = list(outputs)
        self.last: Frame | None = None
        self._setup = setup
        self._log = log
        self._clock = clock = setup.clock
        self._practising = practising
        if practising is not None:
            practising.changed = self._tell_practice
        self._plan = plan
        self._questions = questions
        self._announced: Sequence[Watch] | None = None
        self._reason = ""
        self._build = ""
        self._trouble = RecurringTrouble(clock.now)
        self._standstill = standstill or Standstill(clock.now)
        self._continuity = Continuity(
            clock,
            questions=questions,
            practising=practising,
            plan=plan,
            standstill=self._standstill,
            observers=[each for each in self.outputs if isinstance(each, MemoryObserver)],
        )

    async def run(self) -> None:
        """Run until cancelled, or until a source that has an end has ended.

        Raises SourceUnusable where the source can never serve, SourceError where one that stands
        still cannot be opened, and OutputError where an output cannot start.
        """
        self._announce(next(iter(self._setup.prepared_builds.values())).watches)
        try:
            async with asyncio.TaskGroup() as tasks:
                for output in self.outputs:
                    tasks.create_task(self._run_output(output), name=f"output {output.kind}")
                serving = tasks.create_task(self._serve(), name="source")
                await asyncio.wait([serving])
                if not serving.cancelled() and serving.exception() is None:
                    raise _Ended
        except* _Ended:
            pass
        except* LowhalfError as group:
            fault: BaseException = group
            while isinstance(fault, BaseExceptionGroup):
                fault = fault.exceptions[0]
            raise fault from None

    async def _run_output(self, output: Output) -> None:
        try:
            await output.run()
        except StreamFailed as fault:
            others = len(self.outputs) > 1 or self._practising is not None
            if fault.unread or not others:
                raise
            # a full disk, or a terminal that is gone, costs what it should have held, no more
            self._log.error("%s; nothing more is printed", fault)

    async def _serve(self) -> None:
        beating = asyncio.create_task(self._beat(), name="standstill")
        try:
            await self._open_practising()
            await self._follow_source()
        finally:
            beating.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await beating
            # while the outputs say good-bye, so that none waits for another; a guest that a
            # debugger's stub holds is let go here
            await self._close()

    async def _beat(self) -> None:
        while True:
            self._standstill.beat()
            await self._clock.sleep(EVERY)

    async def _close(self) -> None:
        """Close the source and what keeps attempts, each also where the other fails."""
        self._closing(ENDED)
        if self._plan is not None:
            self._plan.close()
        closing = [self.source.close()]
        if self._practising is not None:
            closing.append(self._practising.close(ENDED))
        for result in await asyncio.gather(*closing, return_exceptions=True):
            if isinstance(result, Exception):
                self._log.error("at the end: %s", result)

    async def _follow_source(self) -> None:
        wait = FIRST_WAIT
        continuity = self._continuity
        while True:
            taken = continuity.stats.frames
            try:
                opened = await self._open()
                await self._run(Sampler(self.source, self._setup, opened, continuity))
            except SourceUnusable:
                raise
            except asyncio.CancelledError:
                self._cut_off(ENDED)
                raise
            except SourceEnded as fault:
                self._log.info("%s", fault)
                self._cut_off("the source has ended")
                await self._clock.sleep(LAST_FRAME_SHOWN)
                return
            except SourceError as fault:
                if self.source.cadence is Cadence.ONCE:
                    raise
                reason = str(fault)
            if continuity.stats.frames > taken:
                wait = FIRST_WAIT
            self._closing(reason)
            await self.source.close()
            continuity.cut_off("the source was lost")
            self._offline(reason)
            await self._clock.sleep(wait * random.uniform(0.5, 1.0))
            wait = min(wait * 2, MAX_WAIT)

    def _closing(self, reason: str) -> None:
        for observer in self._continuity.observers:
            observer.source_closing(reason)

    def _tell_practice(self) -> None:
        """Show at once what the runner counted between frames."""
        if self._practising is None or (self.last is None and self.source.patient):
            return
        if self._reason or self.last is None:
            self._offline(self._reason or self._opening_words)
        else:
            self._publish(replace(self.last, practice=self._practising.practice))

    def _cut_off(self, reason: str) -> None:
        """End the open attempt and show that it ended, since no frame comes after it."""
        if self._practising is None:
            return
        before = self._practising.practice
        self._practising.cut_off(reason, over=True)
        practice = self._practising.practice
        if self.last is not None and before and practice and practice.ended > before.ended:
            self._publish(replace(self.last, practice=practice))

    async def _open_practising(self) -> None:
        if self._practising is None:
            return
        try:
            await self._practising.open(self._clock.time_of_day())
        except OutputError as fault:
            self._log.error("%s; nothing is kept in this run", fault)

    async def _open(self) -> Opened:
        """Open the source; readings age meanwhile, since a push source may wait long."""
        return await _beside(self.source.open(self._setup.memory), self._age())

    async def _age(self) -> None:
        while True:
            await self._clock.sleep(AGE_EVERY)
            self._log_notes()
            # one that nobody hurries gives its frames and no others, however long it takes to open
            if not self.source.patient:
                self._offline(self._reason or self._opening_words)

    @property
    def _opening_words(self) -> str:
        return f"{self.source.name}: {self.source.opening_words}"

    async def _run(self, sampler: Sampler) -> None:
        others = [self._tell_notes()]
        if self._questions is not None and self.source.cadence.announced:
            others.append(self._answer(sampler, self._questions, WITHOUT_FRAME))
        if self._plan is not None:
            others.append(self._tell_advice(self._plan))
        still = self.source.cadence is Cadence.ONCE
        with contextlib.nullcontext() if still else self._clock.fine_waits():
            await _beside(self._take_frames(sampler), *others)

    async def _tell_notes(self) -> None:
        """Tell what the source has noted also while no frame comes: it may say why none does."""
        while True:
            await self._clock.sleep(AGE_EVERY)
            self._log_notes()

    async def _answer(self, sampler: Sampler, questions: Questions, patience: float) -> None:
        """Answer new questions for which no frame comes within *patience* seconds."""
        while True:
            await questions.asked()
            await self._clock.sleep(patience)
            while not await sampler.answer_standing():
                await self._clock.sleep(WITHOUT_FRAME)

    async def _tell_advice(self, plan: PlanTracker) -> None:
        """Tell what the plan's adviser answers while no frame comes, as of a halted game."""
        while True:
            await self._clock.sleep(WITHOUT_FRAME)
            if plan.answered() and self.last is not None and self.last.plan is not None:
                self._publish(replace(self.last, plan=plan.followed))

    async def _take_frames(self, sampler: Sampler) -> None:
        prepared = None
        while True:
            frame = await sampler.next()
            if self._reason and self.last is not None:
                self._log.info("%s: is back", self.source.name)
            self._reason = ""
            self._log_notes()
            if sampler.prepared is not prepared and sampler.prepared is not None:
                prepared = sampler.prepared
                order = "" if sampler.order is ByteOrder.BIG else f", {sampler.order}"
                build = f"build {prepared.layout.name}{order}"
                if build != self._build:
                    self._build = build
                    self._log.info("%s: %s", self.source.name, build)
                self._announce(prepared.watches)
            self._log_trouble(frame)
            self._publish(frame)
            if self.source.patient:
                for output in self.outputs:
                    await output.settled()
            if self.source.cadence is Cadence.ONCE:
                if sampler.prepared is None:
                    raise SourceUnusable(frame.note, source=self.source.name)
                if self._questions is not None:
                    await self._answer(sampler, self._questions, 0.0)
                await asyncio.Event().wait()

    def _log_trouble(self, frame: Frame) -> None:
        trouble, name = self._trouble, self.source.name
        if frame.note:
            # what stays as it was is no news; a frame that is not whole is counted each time
            news = self.last is None or self.last.note != frame.note
            if (news or frame.note.startswith(NOT_WHOLE)) and (words := trouble.came(frame.note)):
                self._log.warning("%s: %s", name, words)
        elif trouble.over() == NOT_WHOLE:
            self._log.info("%s: frames are whole again, %d were not", name, trouble.count)

    def _log_notes(self) -> None:
        for note in self.source.take_notes():
            self._log.warning("%s: %s", self.source.name, note)

    def _announce(self, watches: Sequence[Watch]) -> None:
        if watches == self._announced:
            return
        self._announced = watches
        for output in self.outputs:
            output.announce(watches)

    def _publish(self, frame: Frame) -> None:
        self.last = frame
        for output in self.outputs:
            output.publish(frame)

    def _offline(self, reason: str) -> None:
        """Publish the last readings as offline, and log the reason once; at first each new one."""
        if reason != self._reason:
            # that what was lost is not there yet is no change, and the pages show it
            if self.last is None or not self._reason:
                self._log.warning("%s", reason)
            self._reason = reason
        if self._questions is not None:
            self._questions.note(reason)
        last = self.last or self._never()
        frame = last.offline(reason, self._clock.now())
        if self._practising is not None:
            frame = replace(frame, practice=self._practising.practice)
        for output in self.outputs:
            output.publish(frame)

    def _never(self) -> Frame:
        """A frame for a source that has given none."""
        watches = self._announced or ()

        def make() -> list[Reading]:
            return [Reading(watch, Status.OFFLINE) for watch in watches]

        return Frame(
            *(
                0,
                self._clock.time_of_day(),
                "",
                self.source.name,
                str(self.source.consistency),
                make,
            ),
            paths=self.source.paths,
            ticks=self._clock.now(),
        )


async def _beside(main: Coroutine[Any, Any, T], *others: Coroutine[Any, Any, None]) -> T:
    """What *main* gives; *others* run beside it, and where one of them fails, all have failed."""
    first = asyncio.ensure_future(main)
    beside = [asyncio.ensure_future(other) for other in others]
    try:
        await asyncio.wait([first, *beside], return_when=asyncio.FIRST_COMPLETED)
        for task in beside:
            if task.done():
                task.result()  # these do not end but by a fault
        return first.result()
    finally:
        for each in (first, *beside):
            each.cancel()
        await asyncio.gather(first, *beside, return_exceptions=True)
