"""The commonest value of certain moments."""

from __future__ import annotations

from collections.abc import Sequence

from bridge.expressions.frame_functions.frame_function import FrameFunction, NoValueYet
from bridge.values.value_type import Value

__all__ = ["MAX_VALUES", "Tally"]

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
