"""Functions of the frame taken last: the value in it, and the difference to now."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from bridge.expressions.arithmetic import bounded, finite
from bridge.expressions.frame_functions.frame_function import (
    FrameFunction,
    NoArgument,
    NoValueYet,
)
from bridge.values.value_type import Value

__all__ = ["Change", "Previous"]


class Previous(FrameFunction):
    """The value in the frame taken last."""

    def _forget(self) -> None:
        self._state: Value | None = None
        self._next: Value | None = None

    def _value(self, arguments: Sequence[Value | None], frame: int) -> Value:
        self._next = arguments[0]
        if self._state is None:
            raise NoValueYet(f"{self.text}: there is no value a frame ago")
        return self._state

    def _move_on(self) -> None:
        self._state = self._next

    def _judge(
        self, arguments: Sequence[Value | None], gap: bool, doubtful: bool
    ) -> tuple[bool, int]:
        return gap or bool(self._doubt), doubtful

    def rise(self, now: Value | None) -> int | None:
        """How much a whole number has risen since the frame taken last; None where not known."""
        before = self._state
        if not isinstance(before, int) or not isinstance(now, int):
            return None
        return now - before


class Change(Previous):
    """The value now minus the one in the frame taken last."""

    def _value(self, arguments: Sequence[Value | None], frame: int) -> Value:
        before: Any = super()._value(arguments, frame)
        now: Any = arguments[0]
        if now is None:
            raise NoArgument
        difference = finite(now - before)
        return float(difference) if isinstance(difference, float) else bounded(difference)

    def _judge(
        self, arguments: Sequence[Value | None], gap: bool, doubtful: bool
    ) -> tuple[bool, int]:
        return gap or doubtful or bool(self._doubt), doubtful
