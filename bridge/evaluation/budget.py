"""What the expressions of one frame may cost: steps first, the processor's time second.

A bridge file is shared, and a page may ask whatever it likes, so no text may hold a frame up.  Two
things are counted:

- *Steps*, roughly one for every two operations in a list.  Their count depends on the memory and on
  the text alone, so a watch that has too many has too many on every machine.  MAX_STEPS of them
  take a fifth to a half of LONGEST where this was measured, so that slower machines give the same.
- *Processor time* of this thread, which is looked at every few hundred steps.  It is for slower
  machines and for what steps misjudge.  It is not the time on the wall: a machine that is busy with
  other things takes longer for a frame, and not one good watch becomes an error by it.

A watch gets at most LONGEST and at most SHARE of what is left of FRAME when it begins.  So all
together stay below FRAME, and a small watch behind a few greedy ones still has its value.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any, Final

from bridge.evaluation.absence import Absent, same_fault
from bridge.expressions.arithmetic import Undefined
from bridge.heap.stale_pointers import Caution

__all__ = [
    "CLOCK_EVERY",
    "FRAME",
    "LONGEST",
    "MAX_STEPS",
    "SHARE",
    "Budget",
    "FoundList",
    "FrameWork",
    "OverBudget",
    "ProcessorTime",
    "copied",
    "no_time",
    "untimed",
]

ProcessorTime = Callable[[], float]
"""Seconds of the processor's time that this thread has taken, from any beginning."""


def untimed() -> float:
    """A processor's time that stands: then steps alone count."""
    return 0.0


MAX_STEPS = 200_000
LONGEST = 0.05
"""Seconds that one watch may take of a frame."""
FRAME = 0.08
"""Seconds that all expressions may take of a frame, so that with all else it stays below 100 ms."""
SHARE = 0.65
"""Of the time that is left, what one watch may take: the first may take LONGEST."""
CLOCK_EVERY = 512
_FOREVER: Final = float("inf")


class OverBudget(Undefined):
    """An expression takes too long for a frame."""


@dataclass(slots=True)
class FoundList:
    """What a list gave, or why it gave nothing, and the caution that goes with it."""

    values: Any = None
    fault: Exception | None = None
    caution: Caution | None = None

    def give(self) -> Any:
        """The list's values.  Raises its fault where it has none."""
        if self.fault is not None:
            raise copied(self.fault)
        return self.values


def copied(fault: Exception) -> Exception:
    """The same fault without a traceback, which would keep the image that it arose from."""
    if isinstance(fault, Absent):
        anew = same_fault(fault)
        anew.value = fault.value
        return anew
    return type(fault)(*fault.args)


@dataclass(slots=True)
class FrameWork:
    """What the evaluators of one image have spent in a frame, in seconds, and the lists they found.

    Lists are by their text and what it means, so that equal ones are evaluated once.
    """

    spent: float = 0.0
    lists: dict[object, FoundList] = field(default_factory=dict)

    def clear(self) -> None:
        """Another frame begins."""
        self.spent = 0.0
        self.lists.clear()


class Budget:
    """What an evaluator's watches have taken of a frame.

    :meth:`begin` and :meth:`end` enclose each pass over the watches, :meth:`start` begins a watch
    that has lists, and :meth:`spend` is called for what it does.
    """

    most_steps = MAX_STEPS

    def __init__(self, clock: ProcessorTime) -> None:
        self.clock = clock
        self.work = FrameWork()
        self._began = self._started = 0.0
        self._running = False
        self._steps = 0
        self._look_at = CLOCK_EVERY
        self._share = LONGEST

    def begin(self) -> None:
        """A pass over watches begins."""
        self._began = self.clock()
        self._running = True

    def end(self) -> None:
        """It has ended."""
        self._running = False
        self.work.spent += self.clock() - self._began

    def left(self, now: float) -> float:
        """Seconds that are left of the frame; outside a pass, all of them."""
        if not self._running:
            return FRAME
        return FRAME - self.work.spent - (now - self._began)

    def start(self) -> None:
        """A watch with lists begins.  Raises OverBudget where nothing is left for it."""
        self._steps, self._look_at = 0, CLOCK_EVERY
        now = self._started = self.clock()
        self._share = SHARE * self.left(now)
        if self._share <= 0:
            raise OverBudget(no_time())

    def spend(self, steps: int) -> None:
        """Count steps of a list.  Raises OverBudget where a watch takes too many, or too long."""
        self._steps += steps
        if self._steps >= self._look_at:
            self._look()

    def _look(self) -> None:
        if self._steps > self.most_steps:
            raise OverBudget(self.steps_words())
        taken = self.clock() - self._started
        if taken > LONGEST:
            raise OverBudget(f"takes more than {LONGEST * 1000:g} ms of a frame")
        if taken > self._share:
            raise OverBudget(no_time())
        self._look_at = min(self._steps + CLOCK_EVERY, self.most_steps + 1)

    def steps_words(self) -> str:
        """Why a watch that takes too many steps has no value."""
        return f"its lists take more than {self.most_steps} steps"

    # a list that several watches may use

    @property
    def mark(self) -> tuple[int, float]:
        """Where a list begins, for :meth:`by_itself`."""
        return self._steps, self.clock()

    def by_itself(self, mark: tuple[int, float]) -> bool:
        """Whether what was done since *mark* takes most of a budget, whoever begins it."""
        steps, began = mark
        return (
            self._steps - steps > self.most_steps // 2 or self.clock() - began > self._longest() / 2
        )

    def _longest(self) -> float:
        return LONGEST

    # the heap's walk

    def walk(self, walk: Callable[[], Any]) -> Any:
        """Do what the watch at hand happens to be the first to need, at the frame's cost.

        The walk has the same share of the frame as a watch, and its steps are not counted: how many
        blocks there may be has a limit of its own.
        """
        kept = self._steps, self._look_at, self._share, self.most_steps
        started = self.clock()
        self._steps, self._look_at, self.most_steps = 0, CLOCK_EVERY, 1 << 62
        outer, self._started = self._started, started
        self._share = SHARE * self.left(started)
        try:
            return walk()
        finally:
            self._steps, self._look_at, self._share, self.most_steps = kept
            self._started = outer + (self.clock() - started)


def no_time() -> str:
    """Why a watch that might have been quick enough alone is not evaluated to its end."""
    return f"takes too long beside the other watches: all have {FRAME * 1000:g} ms of a frame"
