"""Practice cut into attempts.

Fed once for each frame that was taken.  ``begins``, ``succeeds`` and ``given_up`` are moments:
what counts is that they become true, that is, are true in a frame and were not in the frame taken
before it.  What has no value in a frame is not true in it.  In the first frame of all, and in the
first after a cut, nothing becomes true: what was before is not known.

In one frame, in this order:

1. where an attempt is open, its steps go on (see ``bridge.practice.steps``).  Where begins
becomes true, a step that would fail is neither failed nor done: a game that starts again, as by
loading a state, makes fail true of what it leaves behind;
2. the open attempt ends, by the first of these that holds: a step has failed → ``failed``;
   succeeds (without an expression: all steps are done) → ``success``; given_up → ``given-up``;
   begins again → ``given-up``, with the reason "started again";
3. where none is open and begins becomes true, an attempt begins.  The frame in which it begins
   belongs to what was before: its steps, its success and its giving up count from the next one.

A guest that was reset, a counter that jumped, a source that was lost, another build and the
daemon's end cut an attempt off: it is neither a success nor a failure.

Frames that were missed are told with the frame behind them.  What was false before such a gap and
is true behind it became true in it, and what was open goes on; but anything else may have come and
gone in between.  So an attempt that spans a gap, or began in one, is not ``whole``, and neither is
one that was judged by functions over frames that span one.  Where begins became true in a gap, the
attempt begins with the gap's first frame, since it may have.  Where a counter of the game's tells
that begins became true several times in a gap, each but the last is an attempt of which nothing was
seen: it is cut off, with that reason.  Frames that were missed while none was open may have hidden
attempts that nothing tells of: the next attempt has their number as ``unseen_before``.

The runner may begin and end attempts by hand, between two frames: they begin and end in the frame
that was taken last.  Where that frame's number is not that of now, since none came for a while, it
is not known how many frames such an attempt took; one that began so is settled by the next frame,
which is the one behind it or is not.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

from bridge.practice.steps import Step, StepOutcome, StepResult, StepSeen, Way
from bridge.values.value_type import Value

__all__ = ["AGAIN", "MAX_UNSEEN", "UNSEEN", "Attempt", "Attempts", "Kept", "Outcome", "Seen"]

AGAIN = "started again"
UNSEEN = "none of its frames was seen"
MAX_UNSEEN = 1000
"""Attempts that a counter may tell of in one gap; what tells of more counts something else."""


class Outcome(StrEnum):
    OPEN = "open"
    """It is under way."""
    SUCCESS = "success"
    FAILED = "failed"
    GIVEN_UP = "given-up"
    CUT_OFF = "cut-off"


_STEP_OUTCOMES = {
    Outcome.SUCCESS: StepOutcome.UNFINISHED,
    Outcome.FAILED: StepOutcome.FAILED,
    Outcome.GIVEN_UP: StepOutcome.GIVEN_UP,
    Outcome.CUT_OFF: StepOutcome.UNFINISHED,
}


@dataclass(frozen=True, slots=True)
class Kept:
    """A watch's value at the moment of success or failure: what a reading says of it."""

    watch: str
    status: str
    value: Value | None
    text: str


@dataclass(frozen=True, slots=True)
class Attempt:
    """One attempt.

    ``began_time`` is in seconds since the Unix epoch; ``seconds`` are those that passed, whatever
    became of the time of day meanwhile.  ``step`` is the one that it stood in when it
    ended, where it was no success.  ``frames`` (of the game) and ``seconds`` are how long it took,
    to the last frame that was taken of it; None where that is not known, as where the
    game's counter may have gone round once more unseen.  ``frames_seen`` are those
    of ``frames`` that were taken; None where they were not counted.  ``doubtful`` says that it was
    judged by what spans missed frames from before it.  ``unseen_before`` are the frames since the
    attempt before it in which others may have begun: they were missed, or begins was doubtful.
    ``session`` is the number of the sitting that it belongs to, 0 where that is not known.
    ``by_hand`` says that the runner counted it, and ``undone`` that it does not count any more,
    since the runner took it back.
    """

    number: int
    build: str
    began_frame: int
    began_time: float
    outcome: Outcome = Outcome.OPEN
    step: str = ""
    reason: str = ""
    frames: int | None = None
    seconds: float | None = None
    steps: tuple[StepResult, ...] = ()
    kept: tuple[Kept, ...] = ()
    frames_seen: int | None = None
    doubtful: bool = False
    unseen_before: int = 0
    session: int = 0
    by_hand: bool = False
    undone: bool = False

    @property
    def timed(self) -> StepResult | None:
        """The last of its steps that was done where it has a window; None without one."""
        return next((step for step in reversed(self.steps) if step.timing is not None), None)

    @property
    def whole(self) -> bool | None:
        """Whether all frames that it was judged by were seen; None where that is not known."""
        if self.doubtful:
            return False
        if self.frames is None or self.frames_seen is None:
            return None
        return self.frames_seen >= self.frames


@dataclass(frozen=True, slots=True)
class Seen:
    """What a frame shows: which expressions are true in it.

    ``rises`` are the times that begins, succeeds and given_up became true since the frame before,
    as a counter of the game's tells behind a gap; 0 where none does.  ``doubtful`` says that one of
    those that are looked at (begins alone, where no attempt is open) is made of earlier frames, not
    all of which were seen.
    """

    begins: bool = False
    succeeds: bool = False
    given_up: bool = False
    steps: tuple[StepSeen, ...] = ()
    rises: tuple[int, int, int] = (0, 0, 0)
    doubtful: bool = False


class Attempts:
    """The attempt that is open, if any, and the way through its steps.

    *succeeds* says whether there is an expression for it; *number* is the last attempt's number.
    ``unseen`` are the attempts that a counter told of in the frame taken last and of which nothing
    was seen; they came before the one that is open.
    """

    def __init__(self, steps: Sequence[Step], *, succeeds: bool, number: int = 0) -> None:
        self.number = number
        self.open: Attempt | None = None
        self.way: Way | None = None
        self._steps = tuple(steps)
        self._succeeds = succeeds
        self._before: Seen | None = None
        self._frame = 0
        self._ticks = self._began_ticks = 0.0
        self._marks: list[str] = []
        self._uncounted = self._unsettled = False
        self.unseen: tuple[Attempt, ...] = ()
        self._missed: int | None = None
        self._missed_between = 0
        self._doubtful = False

    @property
    def missed_between(self) -> int:
        """What ``unseen_before`` would be of an attempt that began now; 0 where one is open."""
        return self._missed_between

    @property
    def frame(self) -> int:
        """The frame that was taken last; 0 where nothing is known of one."""
        return self._frame if self._before is not None else 0

    @property
    def frames_seen(self) -> int | None:
        """Of the open attempt's frames, those that were taken; None where nobody counts them."""
        if self.open is None or self._missed is None:
            return None
        return self._frame - self.open.began_frame - self._missed

    @property
    def doubtful(self) -> bool:
        """Whether the open attempt was judged so far by what spans frames missed before it."""
        way = self.way
        steps = way is not None and (way.doubtful or any(r.doubtful for r in way.results))
        return self._doubtful or steps

    def mark(self, reason: str) -> None:
        """The open attempt is not whole, whatever its frames say, and why."""
        if self.open is not None:
            self._doubtful = True
            if reason not in self._marks:
                self._marks.append(reason)

    def take(
        self,
        seen: Seen,
        frame: int,
        time: float,
        build: str,
        missed: int | None = None,
        *,
        ticks: float,
        unclear: str = "",
    ) -> Attempt | None:
        """A frame was taken; gives the attempt that ended in it.

        *time* is the time of day, and *ticks* seconds that no change of that disturbs.  *missed*
        frames before it were not seen; None where nobody counts them.  Where *unclear* says why,
        that is the least that they may be, and nothing is counted.
        """
        before = self._before
        # what rose in a gap need not be true in this very frame: the next one may have it rise anew
        self._before = replace(
            seen,
            begins=seen.begins and not seen.rises[0],
            succeeds=seen.succeeds and not seen.rises[1],
            given_up=seen.given_up and not seen.rises[2],
        )
        begins = succeeds = given_up = False
        if before is not None:
            begins = seen.rises[0] > 0 or (seen.begins and not before.begins)
            succeeds = seen.rises[1] > 0 or (seen.succeeds and not before.succeeds)
            given_up = seen.rises[2] > 0 or (seen.given_up and not before.given_up)
        doubtful = seen.doubtful or (before is not None and before.doubtful) or bool(unclear)
        self._frame, self._ticks = frame, ticks
        known = None if unclear else missed
        if self._unsettled:
            known = self._settled(before is not None, frame, ticks, known)
        self.unseen = ()
        ended: Attempt | None = None
        if self.way is None:
            self._missed_between += (known or 0) + doubtful
        else:
            self._missed = None if known is None or self._missed is None else self._missed + known
            self._doubtful = self._doubtful or doubtful
            if unclear:
                self.mark(unclear)
                self._uncounted = self.way.doubtful = True
            self.way.take(seen.steps, frame, ticks, known, failing=not begins)
            # the step that is reached now was reached somewhere in what was missed
            self.way.doubtful = self.way.doubtful or bool(unclear)
            if self.way.failed:
                ended = self._end(Outcome.FAILED, self.way.reason)
            elif succeeds if self._succeeds else self.way.finished:
                ended = self._end(Outcome.SUCCESS)
            elif given_up:
                ended = self._end(Outcome.GIVEN_UP)
            elif begins:
                ended = self._end(Outcome.GIVEN_UP, AGAIN)
        if begins:
            self._begin(min(seen.rises[0], MAX_UNSEEN), frame, time, build, missed)
            assert self.way is not None
            self.way.begins(frame, known, doubtful)
            self._doubtful = doubtful
            if unclear:
                self.mark(unclear)
                self._uncounted, self._missed = True, None
        return ended

    def begin_by_hand(
        self, time: float, build: str, *, ticks: float, fresh: bool
    ) -> Attempt | None:
        """An attempt begins now; gives the one that was given up for it.

        *time* and *ticks* as in :meth:`take`.  *fresh* says whether the frame that was taken last
        is that of now.
        """
        ended = self.end_by_hand(Outcome.GIVEN_UP, ticks=ticks, fresh=fresh, reason=AGAIN)
        self._ticks, self._frame = ticks, self.frame
        self._begin(1, self._frame, time, build, 0)
        assert self.open is not None
        self.open = replace(self.open, by_hand=True)
        self._unsettled = not fresh
        return ended

    def end_by_hand(
        self, outcome: Outcome, *, ticks: float, fresh: bool, reason: str = ""
    ) -> Attempt | None:
        """The attempt that is open ends now; None where none is."""
        if self.way is None:
            return None
        self._ticks = max(self._ticks, ticks)
        doubtful = self.doubtful
        if not fresh:
            self.way.uncount()
            self._uncounted, self._missed = True, None
        ended = self._end(outcome, reason)
        return ended and replace(ended, by_hand=True, doubtful=doubtful)

    def counted_by_hand(self, time: float, build: str) -> Attempt:
        """A success of which nothing is known but that it was; none is open."""
        self.number += 1
        between, self._missed_between = self._missed_between, 0
        return Attempt(
            *(self.number, build, self.frame, time, Outcome.SUCCESS),
            unseen_before=between,
            by_hand=True,
        )

    def cut_off(self, reason: str) -> Attempt | None:
        """What comes next does not follow from what was; gives the attempt that was open."""
        self._before = None
        self.unseen = ()
        return self._end(Outcome.CUT_OFF, reason)

    def _settled(self, goes_on: bool, frame: int, ticks: float, known: int | None) -> int | None:
        """The first frame behind a beginning by hand of which no frame was known.

        *goes_on* says whether frames of this game were taken before.  Gives what is known of the
        missed ones.
        """
        self._unsettled = False
        if self.open is None or self.way is None or (goes_on and known == 0):
            return known
        if not goes_on:  # what came before it is not this game's
            self.open = replace(self.open, began_frame=frame)
            self.way = Way(self._steps, frame, ticks)
        self.way.uncount()
        self._uncounted = True
        return None

    def _begin(self, times: int, frame: int, time: float, build: str, missed: int | None) -> None:
        """Attempts began since the frame before: *times*, or 1; the last of them is open."""
        first = frame - (missed or 0)
        unseen = []
        for _ in range(times - 1):
            self.number += 1
            unseen.append(
                Attempt(
                    *(self.number, build, first, time, Outcome.CUT_OFF, "", UNSEEN),
                    frames=missed,
                    frames_seen=0,
                    unseen_before=self._missed_between,
                )
            )
            self._missed_between = 0
        self.unseen = tuple(unseen)
        self.number += 1
        between, self._missed_between = self._missed_between, 0
        self.open = Attempt(self.number, build, first, time, unseen_before=between)
        before = self._before.steps if self._before is not None else None
        self.way = Way(self._steps, first, self._ticks, missed, before)
        self._missed = missed
        self._began_ticks, self._marks = self._ticks, []
        self._uncounted = self._unsettled = False

    def _end(self, outcome: Outcome, reason: str = "") -> Attempt | None:
        attempt, way = self.open, self.way
        if attempt is None or way is None:
            return None
        current = way.current
        stood = current.name if current is not None and outcome is not Outcome.SUCCESS else ""
        seen = self.frames_seen
        steps = way.stop(_STEP_OUTCOMES[outcome], self._frame, self._ticks)
        doubtful = self.doubtful
        self.open = self.way = None
        self._doubtful = False
        return replace(
            attempt,
            outcome=outcome,
            step=stood,
            reason="; ".join(filter(None, (reason, *self._marks))),
            frames=None
            if self._uncounted or self._unsettled
            else self._frame - attempt.began_frame,
            seconds=max(0.0, self._ticks - self._began_ticks),
            steps=steps,
            frames_seen=seen,
            doubtful=doubtful,
        )
