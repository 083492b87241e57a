"""Functions of a condition: since when, for how long, how often it was true, and what was then."""

from __future__ import annotations

from collections.abc import Sequence

from bridge.expressions.frame_functions.frame_function import (
    FrameFunction,
    NoArgument,
    NoValueYet,
)
from bridge.values.value_type import Value

__all__ = ["Count", "FramesOf", "FramesSince", "Latest"]


class FramesSince(FrameFunction):
    """Frames since a condition was last true, 0 while it is."""

    def _forget(self) -> None:
        self._last: int | None = None
        self._next: int | None = None

    def _value(self, arguments: Sequence[Value | None], frame: int) -> Value:
        self._next = frame if arguments[0] else self._last
        if arguments[0] is None:
            raise NoArgument
        if self._next is None:
            raise NoValueYet(f"{self.text}: has not been true yet")
        return frame - self._next

    def _move_on(self) -> None:
        self._last = self._next

    def _judge(
        self, arguments: Sequence[Value | None], gap: bool, doubtful: bool
    ) -> tuple[bool, int]:
        doubt = doubtful or (not arguments[0] and (gap or bool(self._doubt)))
        return doubt, doubt


class FramesOf(FrameFunction):
    """Frames that a condition has held without a break, 0 while it does not."""

    def _forget(self) -> None:
        self._began: int | None = None
        self._next: int | None = None

    def _value(self, arguments: Sequence[Value | None], frame: int) -> Value:
        self._next = None
        if arguments[0] is None:
            raise NoArgument
        if not arguments[0]:
            return 0
        self._next = frame if self._began is None else self._began
        return frame - self._next + 1

    def _move_on(self) -> None:
        self._began = self._next

    def _judge(
        self, arguments: Sequence[Value | None], gap: bool, doubtful: bool
    ) -> tuple[bool, int]:
        doubt = doubtful or (bool(arguments[0]) and (gap or bool(self._doubt)))
        return doubt, doubt


class Latest(FrameFunction):
    """The value when a condition was last true."""

    def _forget(self) -> None:
        self._state: Value | None = None
        self._next: Value | None = None

    def _value(self, arguments: Sequence[Value | None], frame: int) -> Value:
        value, condition = arguments
        self._next = value if condition and value is not None else self._state
        if self._next is None:
            raise NoValueYet(f"{self.text}: there is no such value yet")
        return self._next

    def _move_on(self) -> None:
        self._state = self._next

    def _judge(
        self, arguments: Sequence[Value | None], gap: bool, doubtful: bool
    ) -> tuple[bool, int]:
        value, condition = arguments
        renewed = bool(condition) and value is not None
        doubt = doubtful or (not renewed and (gap or bool(self._doubt)))
        return doubt, doubt


class Count(FrameFunction):
    """Times that a condition became true: it must have been seen false before.

    In a gap it counts as often as a counter of the game's tells, where one does.
    """

    def _forget(self) -> None:
        self._was: bool | None = None
        self._count = 0
        self._next: tuple[bool | None, int] = (None, 0)

    def _value(self, arguments: Sequence[Value | None], frame: int) -> Value:
        if arguments[0] is None:
            self._next = (self._was, self._count)
            return self._count
        now = bool(arguments[0])
        risen = self._rises if self._rises is not None else now and self._was is False
        count = self._count + risen
        # what rose in a gap need not be true in this very frame
        self._next = (now and not self._rises, count)
        return count

    def _move_on(self) -> None:
        self._was, self._count = self._next
