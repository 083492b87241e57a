"""Functions whose value spans frames, each a small state machine.

A frame may be evaluated several times before it is taken: lines come in batches, and a torn sample
is taken again.  So ``step`` computes a value from the *committed* state and only notes what the
next state would be; ``commit`` is called once for each frame that is taken.  ``clear`` forgets
everything, as when the guest was reset.

``frame`` is the game's own frame number where it is known.  An argument that has no value in a
frame (``None`` here) breaks what it must break: a frame later there is no previous value, and a
condition is not held to have lasted.

Frames that were never taken leave a gap, and what a function makes of the frames on both sides may
differ from what it would have made of all.  Such a value is ``doubtful``.  How long depends on what
a function remembers:

============================  ==================================================================
previous, change              in the first frame behind a gap: they tell of more than one frame
frames_since, latest          until the condition is seen to be true again
frames_of                     while a run lasts that began in a gap or went over one: what holds
                              before and behind it is taken to have held
average                       while its frames go over a gap
count, highest, lowest        until the game is reset
tally                         likewise, but moments in a gap are counted apart
============================  ==================================================================

An argument that is doubtful by itself counts like a gap in the frame in which it is.
"""

from __future__ import annotations

import abc
from collections import deque
from collections.abc import Sequence
from typing import Any

from bridge.expressions.arithmetic import bounded, finite
from bridge.values.value_type import Value

_ANY = 1 << 256
"""Before the first frame there is no gap: no frame's number is behind this one."""


class NoValueYet(Exception):
    """There is no value before a later frame, and why."""


class NoArgument(Exception):
    """There is no value because the argument at this position has none."""

    def __init__(self, position: int = 0) -> None:
        super().__init__(position)
        self.position = position


class FrameFunction(abc.ABC):
    """One function over frames.

    ``doubtful`` says whether the last step's value might be another, had all frames been taken.
    """

    def __init__(self, text: str) -> None:
        self.text = text
        self.clear()

    def clear(self) -> None:
        """Forget everything."""
        self._frame = 0
        self._next_frame = _ANY
        self._careful = False
        self._doubt = self._next_doubt = 0
        self.doubtful = self._of_doubtful = False
        self._rises: int | None = None
        self._forget()

    def gap(self, frame: int) -> bool:
        """Whether frames between the one taken last and *frame* were not taken."""
        return frame > self._next_frame

    def missed(self, frame: int) -> int:
        """How many those are."""
        return max(0, frame - self._next_frame)

    def step(
        self,
        arguments: Sequence[Value | None],
        frame: int,
        doubtful: bool = False,
        rises: int | None = None,
    ) -> Value:
        """The value in this frame.  Raises NoValueYet or NoArgument where there is none.

        *doubtful* says that an argument is.  *rises* are the times that the condition became true
        in a gap, as a counter of the game's tells; None where none does, or where there is no gap.
        """
        self._frame = frame
        # nearly every step is of a frame right behind the last, of which nothing is doubtful
        if frame > self._next_frame or doubtful or self._doubt:
            self._careful = True
            self._rises, self._of_doubtful = rises, doubtful
            gap = frame > self._next_frame
            self.doubtful, self._next_doubt = self._judge(arguments, gap, doubtful)
        elif self._careful:
            self._careful = self.doubtful = self._of_doubtful = False
            self._rises, self._next_doubt = None, 0
        return self._value(arguments, frame)

    def commit(self) -> None:
        """The frame of the last step was taken."""
        self._next_frame, self._doubt = self._frame + 1, self._next_doubt
        self._move_on()

    @abc.abstractmethod
    def _forget(self) -> None: ...

    @abc.abstractmethod
    def _value(self, arguments: Sequence[Value | None], frame: int) -> Value: ...

    @abc.abstractmethod
    def _move_on(self) -> None: ...

    def _judge(
        self, arguments: Sequence[Value | None], gap: bool, doubtful: bool
    ) -> tuple[bool, int]:
        """Whether the value is doubtful, and what of that stays for the next frame's."""
        return True, True


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


class _Change(Previous):
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


class _FramesSince(FrameFunction):
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


class _FramesOf(FrameFunction):
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


class _Latest(FrameFunction):
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


class _Count(FrameFunction):
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


MAX_VALUES = 1 << 16
"""Different values that a tally tells apart in one run; a half's all fit."""


class Tally(FrameFunction):
    """The commonest value of the moments at which a condition became true.

    Moments are those of ``count``.  Of two values that are equally common it is the one that was
    so first.  ``moment`` holds the value of the frame that was taken last, where that was a moment:
    None for none.  Values are told apart by how they are written, so -0.0 is not 0.0.

    A moment behind a gap came somewhere in it, and its value may have been another: it does not
    count here.  ``apart`` holds the values of those in the frame that was taken last: of several
    that a counter tells of only the last has one.
    """

    def _forget(self) -> None:
        self._was: bool | None = None
        self._counts: dict[str, int] = {}
        self._best: tuple[Value | None, int] = (None, 0)
        self._next_was: bool | None = None
        self._noted: tuple[Value | None] | None = None
        self._next_apart: tuple[Value | None, ...] = ()
        self._only_apart = False
        self.moment: tuple[Value | None] | None = None
        self.apart: tuple[Value | None, ...] = ()

    def _value(self, arguments: Sequence[Value | None], frame: int) -> Value:
        value, condition = arguments
        now = self._was if condition is None else bool(condition)
        rose = condition is not None and bool(now) and self._was is False
        self._next_was = now and not self._rises
        self._noted, self._next_apart = None, ()
        times = int(rose) if self._rises is None else self._rises
        if times and (self.gap(frame) or self._of_doubtful):
            self._next_apart = (None,) * (times - 1) + (value,)
        elif rose:
            self._noted = (value,)
        best, _ = self._best_with(value if self._noted is not None else None)
        if best is None:
            if self._only_apart or self._next_apart:
                raise NoValueYet(f"{self.text}: each such moment was in frames that were not seen")
            raise NoValueYet(f"{self.text}: there has been no such moment yet")
        return best

    def _move_on(self) -> None:
        self._was, self.moment, self.apart = self._next_was, self._noted, self._next_apart
        self._only_apart = self._only_apart or bool(self.apart)
        self._noted, self._next_apart = None, ()
        value = self.moment[0] if self.moment else None
        if value is not None:
            self._best = self._best_with(value)
            key = repr(value)
            if key in self._counts or len(self._counts) < MAX_VALUES:
                self._counts[key] = self._counts.get(key, 0) + 1

    def _best_with(self, value: Value | None) -> tuple[Value | None, int]:
        """The commonest value and its count, where *value* is counted once more."""
        if value is None:
            return self._best
        count = self._counts.get(repr(value), 0) + 1
        return (value, count) if count > self._best[1] else self._best


class _Extreme(FrameFunction):
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
    def choose(self, values: list[Any]) -> Any: ...


class _Highest(_Extreme):
    def choose(self, values: list[Any]) -> Any:
        return max(values)


class _Lowest(_Extreme):
    def choose(self, values: list[Any]) -> Any:
        return min(values)


class _Average(FrameFunction):
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


_KINDS: dict[str, type[FrameFunction]] = {
    "previous": Previous,
    "change": _Change,
    "frames_since": _FramesSince,
    "frames_of": _FramesOf,
    "latest": _Latest,
    "count": _Count,
    "highest": _Highest,
    "lowest": _Lowest,
    "tally": Tally,
}


def make(function: str, text: str, constant: int) -> FrameFunction:
    """The state machine of a function over frames, by the function's name."""
    if function == "average":
        return _Average(text, constant)
    return _KINDS[function](text)
