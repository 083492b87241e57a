"""``plan("name")``: how many steps of a plan are done, which spans frames.

What a plan is and how it is followed is the planner's; here its place goes from frame to frame.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Protocol

from bridge.expressions.frame_functions.frame_function import FrameFunction, NoArgument, NoValueYet
from bridge.heap.blocks import Block
from bridge.values.value_type import Value

__all__ = ["Course", "PlanSteps", "Standing"]


class Standing(Protocol):
    """Where a game stands in a plan, in one frame."""

    @property
    def value(self) -> int:
        """Steps done, -1 where the game is not on the plan."""


class Course(Protocol):
    """A plan that can be followed; ``why`` says why it cannot, on this build, else empty.

    ``expressions`` are what ``follow`` needs as its states; with ``may_lack`` the last of them may
    have no value, as where it leads through a pointer that is null, and is 0 then.
    """

    @property
    def why(self) -> str: ...

    @property
    def expressions(self) -> Sequence[str]: ...

    @property
    def may_lack(self) -> bool: ...

    def number(self, blocks: Sequence[Block], complete: bool) -> int | None:
        """A number of a heap, for ``follow``; None where not all of it is known."""

    def follow(
        self, before: Any, heap: int, states: Sequence[int], frame: int, missed: int
    ) -> Standing:
        """Where the game stands, by where it stood (None at first), and frames between."""


class PlanSteps(FrameFunction):
    """Its arguments are the heap's number and the states that the course needs.

    ``place`` is where the game stood in the frame that was taken last, None before the first.
    """

    def __init__(self, text: str, course: Course | None) -> None:
        self._course = course
        super().__init__(text)

    def _forget(self) -> None:
        self.place: Standing | None = None
        self._next: Standing | None = None

    def _value(self, arguments: Sequence[Value | None], frame: int) -> Value:
        self._next = self.place
        if self._course is None:
            raise NoValueYet("the plan's file was not read")
        if self._course.why:
            raise NoValueYet(self._course.why)
        known: list[int] = []
        for position, argument in enumerate(arguments):
            if argument is None:
                if not self._course.may_lack or position < len(arguments) - 1:
                    raise NoArgument(position)
                argument = 0
            assert isinstance(argument, int)
            known.append(int(argument))
        heap, *states = known
        self._next = self._course.follow(self.place, heap, states, frame, self.missed(frame))
        return self._next.value

    def _judge(
        self, arguments: Sequence[Value | None], gap: bool, doubtful: bool
    ) -> tuple[bool, int]:
        return False, 0  # a place in the plan is known by this frame alone

    def _move_on(self) -> None:
        self.place = self._next
