"""What outlives a lost source: counts, numbers, state over frames, questions, practice.

A sampler takes frames from one source until that is lost; the next one may find the same game a
moment later.  What the first knew of it is here, and the game's own counter tells whether it has
gone on.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from bridge.evaluation.evaluator import Evaluator
from bridge.ports.clock import Clock
from bridge.ports.source import Opened
from bridge.prepared import PreparedBuild
from bridge.readings.frame import Stats
from bridge.reporting.recurring import RecurringTrouble
from bridge.sampling.frame_count import FrameCount

if TYPE_CHECKING:  # a command that reads one frame needs none of these
    from bridge.ports.memory_observer import MemoryObserver
    from bridge.questions.question import Questions
    from bridge.questions.scheduler import QuestionScheduler
    from bridge.sampling.plan_tracker import PlanTracker
    from bridge.sampling.practice_tracker import PracticeTracker
    from bridge.sampling.standstill import Standstill

__all__ = ["Continuity"]


@dataclass(frozen=True, slots=True)
class _Running:
    """What knows the game that runs: the state over its frames, and their numbers."""

    prepared: PreparedBuild
    evaluator: Evaluator
    count: FrameCount


class Continuity:
    """One lives as long as the daemon, and each sampler is given it.

    ``stats`` are the counts of all samplers together.  ``questions`` are answered with each frame,
    ``practising`` and ``plan`` are told of it, and ``standstill`` tells whether lowhalf itself
    stood still; each is None where there is none.  ``heap`` follows the heap for who holds it, None
    without ``questions``.  ``observers`` are handed each frame's memory.  ``unclear`` is the
    trouble of frames whose number is not known.
    """

    def __init__(
        self,
        clock: Clock,
        *,
        questions: Questions | None = None,
        practising: PracticeTracker | None = None,
        plan: PlanTracker | None = None,
        standstill: Standstill | None = None,
        observers: Sequence[MemoryObserver] = (),
    ) -> None:
        self.stats = Stats()
        self.observers = observers
        self.unclear = RecurringTrouble(clock.now)
        self.practising = practising
        self.plan = plan
        self.standstill = standstill
        self.heap = None if questions is None else questions.heap
        self.questions: QuestionScheduler | None = None
        if questions is not None:
            from bridge.questions.scheduler import QuestionScheduler

            self.questions = QuestionScheduler(questions, clock)
        self._running: _Running | None = None
        self._left: _Running | None = None

    def count(self, **more: int) -> None:
        """Add to the counts, by their names in ``Stats``."""
        stats = self.stats
        self.stats = replace(stats, **{name: getattr(stats, name) + n for name, n in more.items()})

    def source_opened(self, opened: Opened) -> FrameCount:
        """Frames come from another source from now on, or from the same, opened anew.

        Gives the count of its frames: how fast they follow is known, whether they go on is not.
        """
        # where no build was known there is no newer state than that from before
        self._left, self._running = self._running or self._left, None
        if self.questions is not None:
            self.questions.source_opened(opened)
        return FrameCount(None if self._left is None else self._left.count.pace)

    def build_found(self, prepared: PreparedBuild, evaluator: Evaluator, count: FrameCount) -> bool:
        """The running build is known; *evaluator* and *count* are new, and are of its frames.

        Whether it is the build that ran before, so that both go on from what was; its counter will
        tell if it has not gone on.
        """
        left, self._left = self._left, None
        goes_on = left is not None and left.prepared is prepared
        if left is not None and goes_on:
            evaluator.adopt(left.evaluator)
            count.goes_on(left.count)
        elif self.questions is not None:
            self.questions.forget()
        if left is not None:
            left.evaluator.release_image()
        self._running = _Running(prepared, evaluator, count)
        return goes_on

    def build_lost(self) -> None:
        """The game is not recognised any more: nothing goes on from it."""
        self._running = None

    def cut_off(self, reason: str) -> None:
        """What comes next does not follow from what was: an open attempt ends."""
        if self.practising is not None:
            self.practising.cut_off(reason)
        if self.heap is not None:
            self.heap.forget(reason)
