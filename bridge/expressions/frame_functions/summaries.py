"""Functions of many frames' values: the greatest, the least, the mean."""

from __future__ import annotations

import abc
from collections import deque
from collections.abc import Sequence
from typing import Any

from bridge.expressions.frame_functions.frame_function import FrameFunction, NoValueYet
from bridge.values.value_type import Value

__all__ = ["Average", "Extreme", "Highest", "Lowest"]


class Extreme(FrameFunction):
    """One of all values so far, as ``choose`` picks it of two."""

    def _forget(self) -> None:
        self._state: Any = None
        self._next: Any = None

    def _value(self, arguments: Sequence[Value | None], frame: int) -> Value:
        now = arguments[0]
        known = [value for value in (self._state, now) if value is not None]
        self._next = self.choose(known) if known else None
        if self._next is None:
            raise NoValueYet(f"{self.text}: there has been no value yet")
        result: Value = self._next
        return result

    def _move_on(self) -> None:
        self._state = self._next

    @abc.abstractmethod
    def choose(self, values: list[Any]) -> Any:
        """The one of the values, of which there are one or two."""


class Highest(Extreme):
    """The greatest value so far."""

    def choose(self, values: list[Any]) -> Any:
        return max(values)


class Lowest(Extreme):
    """The least value so far."""

    def choose(self, values: list[Any]) -> Any:
        return min(values)


class Average(FrameFunction):
    """The mean of the last *count* values; frames without a value are left out."""

    def __init__(self, text: str, count: int) -> None:
        self._values: deque[Any] = deque(maxlen=count)
        super().__init__(text)

    def _forget(self) -> None:
        self._values.clear()
        self._total: Any = 0
        self._now: Value | None = None

    def _value(self, arguments: Sequence[Value | None], frame: int) -> Value:
        self._now = arguments[0]
        total, count = self._total, len(self._values)
        if self._now is not None:
            total += _exact(self._now)
            count += 1
            if count > (self._values.maxlen or 0):
                total -= self._values[0]
                count -= 1
        if not count:
            raise NoValueYet(f"{self.text}: there has been no value yet")
        return float(total / (count << _LEAST_FLOAT))

    def _judge(
        self, arguments: Sequence[Value | None], gap: bool, doubtful: bool
    ) -> tuple[bool, int]:
        # how many values have to come until none of those in the mean is from before
        most = self._values.maxlen or 0
        left = most if doubtful else max(self._doubt, most - 1) if gap else self._doubt
        return left > 0, left - (left > 0 and arguments[0] is not None)

    def _move_on(self) -> None:
        if self._now is None:
            return
        if len(self._values) == self._values.maxlen:
            self._total -= self._values[0]
        self._values.append(_exact(self._now))
        self._total += self._values[-1]


_LEAST_FLOAT = 1074
"""Every finite binary64 is a multiple of 2 ** -1074 (IEEE 754-2019 3.4)."""


def _exact(value: Any) -> int:
    """A value in multiples of the least float, so that a running total does not drift."""
    numerator, denominator = value.as_integer_ratio()
    whole: int = numerator << (_LEAST_FLOAT + 1 - denominator.bit_length())
    return whole
