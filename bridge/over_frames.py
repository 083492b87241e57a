"""Functions whose value spans frames, each a small state machine.

A frame may be evaluated several times before it is taken: lines come in batches, and a torn sample
is taken again.  So ``step`` computes a value from the *committed* state and only notes what the
next state would be; ``commit`` is called once for each frame that is taken.  ``clear`` forgets
everything, as when the guest was reset.

``frame`` is the game's own frame number where it is known.  An argument that has no value in a
frame (``None`` here) breaks what it must break: a frame later there is no previous value, and a
condition is not held to have lasted.
"""

from __future__ import annotations

import abc
from collections import deque
from collections.abc import Sequence
from typing import Any

from bridge.mathematics import bounded, finite
from bridge.values import Value


class NoValueYet(Exception):
    """There is no value before a later frame, and why."""


class NoArgument(Exception):
    """There is no value because the argument at this position has none."""

    def __init__(self, position: int = 0) -> None:
        super().__init__(position)
        self.position = position


class OverFrames(abc.ABC):
    """One function over frames."""

    def __init__(self, text: str) -> None:
        self.text = text
        self.clear()

    @abc.abstractmethod
    def clear(self) -> None:
        """Forget everything."""

    @abc.abstractmethod
    def step(self, arguments: Sequence[Value | None], frame: int) -> Value:
        """The value in this frame.  Raises NoValueYet or NoArgument where there is none."""

    @abc.abstractmethod
    def commit(self) -> None:
        """The frame of the last step was taken."""


class _Previous(OverFrames):
    def clear(self) -> None:
        self._state: Value | None = None
        self._next: Value | None = None

    def step(self, arguments: Sequence[Value | None], frame: int) -> Value:
        self._next = arguments[0]
        if self._state is None:
            raise NoValueYet(f"{self.text}: there is no value a frame ago")
        return self._state

    def commit(self) -> None:
        self._state = self._next


class _Change(_Previous):
    def step(self, arguments: Sequence[Value | None], frame: int) -> Value:
        before: Any = super().step(arguments, frame)
        now: Any = arguments[0]
        if now is None:
            raise NoArgument
        difference = finite(now - before)
        return float(difference) if isinstance(difference, float) else bounded(difference)


class _FramesSince(OverFrames):
    def clear(self) -> None:
        self._last: int | None = None
        self._next: int | None = None

    def step(self, arguments: Sequence[Value | None], frame: int) -> Value:
        self._next = frame if arguments[0] else self._last
        if arguments[0] is None:
            raise NoArgument
        if self._next is None:
            raise NoValueYet(f"{self.text}: has not been true yet")
        return frame - self._next

    def commit(self) -> None:
        self._last = self._next


class _FramesOf(OverFrames):
    def clear(self) -> None:
        self._began: int | None = None
        self._next: int | None = None

    def step(self, arguments: Sequence[Value | None], frame: int) -> Value:
        self._next = None
        if arguments[0] is None:
            raise NoArgument
        if not arguments[0]:
            return 0
        self._next = frame if self._began is None else self._began
        return frame - self._next + 1

    def commit(self) -> None:
        self._began = self._next


class _Latest(OverFrames):
    def clear(self) -> None:
        self._state: Value | None = None
        self._next: Value | None = None

    def step(self, arguments: Sequence[Value | None], frame: int) -> Value:
        value, condition = arguments
        self._next = value if condition and value is not None else self._state
        if self._next is None:
            raise NoValueYet(f"{self.text}: there is no such value yet")
        return self._next

    def commit(self) -> None:
        self._state = self._next


class _Count(OverFrames):
    """Times that a condition became true: it must have been seen false before."""

    def clear(self) -> None:
        self._was: bool | None = None
        self._count = 0
        self._next: tuple[bool | None, int] = (None, 0)

    def step(self, arguments: Sequence[Value | None], frame: int) -> Value:
        if arguments[0] is None:
            self._next = (self._was, self._count)
            return self._count
        now = bool(arguments[0])
        count = self._count + (now and self._was is False)
        self._next = (now, count)
        return count

    def commit(self) -> None:
        self._was, self._count = self._next


MOST_VALUES = 1 << 16
"""Different values that a tally tells apart in one run; a half's all fit."""


class Tally(OverFrames):
    """The commonest value of the moments at which a condition became true.

    Moments are those of ``count``.  Of two values that are equally common it is the one that was
    so first.  ``moment`` holds the value of the frame that was taken last, where that was a moment:
    None for none.  Values are told apart by how they are written, so -0.0 is not 0.0.
    """

    def clear(self) -> None:
        self._was: bool | None = None
        self._counts: dict[str, int] = {}
        self._best: tuple[Value | None, int] = (None, 0)
        self._next_was: bool | None = None
        self._noted: tuple[Value | None] | None = None
        self.moment: tuple[Value | None] | None = None

    def step(self, arguments: Sequence[Value | None], frame: int) -> Value:
        value, condition = arguments
        now = self._was if condition is None else bool(condition)
        rose = condition is not None and now and self._was is False
        self._next_was, self._noted = now, (value,) if rose else None
        best, _ = self._best_with(value if rose else None)
        if best is None:
            raise NoValueYet(f"{self.text}: there has been no such moment yet")
        return best

    def commit(self) -> None:
        self._was, self.moment = self._next_was, self._noted
        self._noted = None
        value = self.moment[0] if self.moment else None
        if value is not None:
            self._best = self._best_with(value)
            key = repr(value)
            if key in self._counts or len(self._counts) < MOST_VALUES:
                self._counts[key] = self._counts.get(key, 0) + 1

    def _best_with(self, value: Value | None) -> tuple[Value | None, int]:
        """The commonest value and its count, where *value* is counted once more."""
        if value is None:
            return self._best
        count = self._counts.get(repr(value), 0) + 1
        return (value, count) if count > self._best[1] else self._best


class _Extreme(OverFrames):
    def clear(self) -> None:
        self._state: Any = None
        self._next: Any = None

    def step(self, arguments: Sequence[Value | None], frame: int) -> Value:
        now = arguments[0]
        known = [value for value in (self._state, now) if value is not None]
        self._next = self.choose(known) if known else None
        if self._next is None:
            raise NoValueYet(f"{self.text}: there has been no value yet")
        result: Value = self._next
        return result

    def commit(self) -> None:
        self._state = self._next

    @abc.abstractmethod
    def choose(self, values: list[Any]) -> Any: ...


class _Highest(_Extreme):
    def choose(self, values: list[Any]) -> Any:
        return max(values)


class _Lowest(_Extreme):
    def choose(self, values: list[Any]) -> Any:
        return min(values)


class _Average(OverFrames):
    """The mean of the last *count* values; frames without a value are left out."""

    def __init__(self, text: str, count: int) -> None:
        self._values: deque[Any] = deque(maxlen=count)
        super().__init__(text)

    def clear(self) -> None:
        self._values.clear()
        self._total: Any = 0
        self._now: Value | None = None

    def step(self, arguments: Sequence[Value | None], frame: int) -> Value:
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

    def commit(self) -> None:
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


_KINDS: dict[str, type[OverFrames]] = {
    "previous": _Previous,
    "change": _Change,
    "frames_since": _FramesSince,
    "frames_of": _FramesOf,
    "latest": _Latest,
    "count": _Count,
    "highest": _Highest,
    "lowest": _Lowest,
    "tally": Tally,
}


def make(function: str, text: str, constant: int) -> OverFrames:
    """The state machine of a function over frames, by the function's name."""
    if function == "average":
        return _Average(text, constant)
    return _KINDS[function](text)
