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
from collections.abc import Sequence

from bridge.values.value_type import Value

__all__ = ["FrameFunction", "NoArgument", "NoValueYet"]

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
