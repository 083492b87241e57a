"""Steps, attempts and tallies, fed from the frames that are taken.

The expressions are slots of the same program as the watches, so that functions over frames in them
see every frame.  One of these lives as long as the daemon: it outlasts samplers and builds.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from bridge.ports.clock import Clock
from bridge.ports.practice_log import PracticeLog
from bridge.practice.attempts import Attempt, Attempts, Kept, Outcome, Seen
from bridge.practice.progress import Phase, Practice
from bridge.practice.steps import StepOutcome, StepSeen, Way
from bridge.readings.reading import Reading
from bridge.sampling.counter_pace import AGAIN, JUMPED, RESET
from bridge.sampling.hand_counting import HandCounting, LastFrame
from bridge.sampling.practice_history import PracticeHistory
from bridge.sampling.practice_rules import Conditions, Rules

__all__ = ["PracticeTracker", "Rules"]


class PracticeTracker:
    """``practice`` is what frames say of it; None where there are neither steps nor attempts.

    ``by_hand`` counts attempts between frames; None without attempts, and without a *clock*.
    ``changed`` is called where ``practice`` changes so.
    """

    def __init__(
        self, rules: Rules, keeper: PracticeLog | None = None, clock: Clock | None = None
    ) -> None:
        self._rules = rules
        self._history = PracticeHistory(rules, keeper)
        self._attempts: Attempts | None = None
        if rules.attempts:
            self._attempts = Attempts(rules.steps, succeeds=rules.succeeds)
        self.by_hand: HandCounting | None = None
        if self._attempts is not None and clock is not None:
            self.by_hand = HandCounting(self._attempts, self._history, clock, self._counted)
        self.changed: Callable[[], None] = _nothing
        self._time: float | None = None
        self._in_frames = False
        self._way: Way | None = None
        self._build: str | None = None
        self._frame: int | None = None
        self.practice: Practice | None = None
        if rules.steps or rules.attempts:
            score = self._history.score if rules.attempts else None
            self.practice = Practice(steps=len(rules.steps), score=score)

    async def open(self, time: float | None = None) -> None:
        """Go on from what is kept; *time* is the time of day.

        Raises OutputError; then all goes on without being kept.
        """
        self._time = time
        try:
            history = await self._history.open()
        finally:
            if self.by_hand is not None:
                self.by_hand.ready = True
        if self._attempts is not None and self.practice is not None:
            self._attempts.number = max((attempt.number for attempt in history), default=0)
            self.practice = replace(self.practice, score=self._history.score)
            self._show(None, 0, "", self._history.last)

    @property
    def notice(self) -> str:
        """What there is to know of how all is kept, as ``PracticeLog.notice``."""
        return self._history.notice

    async def close(self, reason: str) -> None:
        """The daemon ends."""
        if self.by_hand is not None:
            self.by_hand.ready = False
        self.cut_off(reason, over=True)
        await self._history.close()

    def take(
        self,
        conditions: Conditions,
        time: float,
        readings: Callable[[], Sequence[Reading]],
        *,
        ticks: float,
        numbered: bool = True,
        unclear: str = "",
    ) -> Practice | None:
        """A frame was taken and committed: its moments, steps and attempts.

        *time* is the time of day; what lasts is measured by *ticks*.  *numbered* says whether the
        frame's number is the game's, so that missed ones are known; *unclear* is why they are not
        known before this frame, else empty.
        """
        build, frame = conditions.build, conditions.frame
        self._history.tallied(conditions)
        if self.practice is None:
            return None
        if self._build not in (None, build):
            self.cut_off("another build runs")
            self._frame = None
        self._build = build
        self._time, self._in_frames = time, True
        missed: int | None = None
        if numbered:
            missed = 0 if self._frame is None else max(0, frame - self._frame - 1)
        self._frame = frame if numbered else None
        now = _Now(frame, time, ticks, missed, unclear)
        if self._attempts is not None:
            self._take_attempts(self._attempts, conditions, now, build, readings)
            if self.by_hand is not None:
                keep = self._rules.keep
                self.by_hand.took(LastFrame(build, time, ticks, lambda: _kept(keep, readings())))
        else:
            self._take_steps(conditions, now, build)
        return self.practice

    def stood_still(self, seconds: float) -> None:
        """lowhalf did not run for so long: what is open was not seen as it was played."""
        if self._attempts is not None:
            self._attempts.mark(f"lowhalf did not run for {seconds:.0f} s")
        if self._way is not None:
            self._way.doubtful = True

    def cut_off(self, reason: str, *, over: bool = False) -> None:
        """What comes next does not follow from what was; *over* where nothing comes.

        An attempt that was begun by hand since the last cut, before any frame, is not cut.
        """
        if reason in (RESET, JUMPED, AGAIN):
            self._frame = None
        if self.practice is None:
            return
        if not self._in_frames and not over:
            return
        self._in_frames = False
        ended = self._attempts.cut_off(reason) if self._attempts is not None else None
        self._way = None
        if self.by_hand is not None:
            self.by_hand.lost()
        if ended is not None:
            ended = self._count(ended)
        self._show(None, 0, "", self.practice.last if ended is None else ended)

    # with and without attempts

    def _take_attempts(
        self,
        attempts: Attempts,
        conditions: Conditions,
        now: _Now,
        build: str,
        readings: Callable[[], Sequence[Reading]],
    ) -> None:
        frame = now.frame
        names = ("attempts.begins", "attempts.succeeds", "attempts.given_up")
        begins, succeeds, given_up = map(conditions.true, names)
        rises = conditions.rises
        looked = names if attempts.open or begins else names[:1]
        seen = Seen(
            *(begins, succeeds, given_up, self._steps_seen(conditions)),
            rises=(rises(names[0]), rises(names[1]), rises(names[2])),
            doubtful=any(map(conditions.doubtful, looked)),
        )
        before = attempts.number
        ended = attempts.take(
            seen, frame, now.time, build, now.missed, ticks=now.ticks, unclear=now.unclear
        )
        if ended is not None:
            if ended.outcome in (Outcome.SUCCESS, Outcome.FAILED) and self._rules.keep:
                ended = replace(ended, kept=_kept(self._rules.keep, readings()))
            ended = self._count(ended)
        for unseen in attempts.unseen:
            ended = self._count(unseen)
        if attempts.number != before and attempts.open is not None:
            attempts.open = self._history.began(attempts.open)
        awaited = names[1:] if attempts.open else names[:1]
        reason = conditions.reasons(awaited)
        last = self.practice.last if ended is None and self.practice else ended
        self._show(attempts.way, frame, self._reasons(conditions, attempts.way, reason), last)

    def _take_steps(self, conditions: Conditions, now: _Now, build: str) -> None:
        """Without attempts the first step comes after the last one again, and after a failed one.

        It is looked at from the next frame on, so that steps that stay done give a lap a frame at
        most.
        """
        assert self.practice is not None
        way, last = self._way, self.practice.last
        frame, time, missed = now.frame, now.ticks, None if now.unclear else now.missed
        if way is None:
            # frames that were missed before the way began are not its own
            missed = None if missed is None else 0
            way = Way(self._rules.steps, frame, time, missed)
        way.doubtful = way.doubtful or bool(now.unclear)
        seen = self._steps_seen(conditions)
        way.take(seen, frame, time, missed)
        way.doubtful = way.doubtful or bool(now.unclear)
        if way.failed or way.finished:
            outcome = Outcome.FAILED if way.failed else Outcome.SUCCESS
            step = way.current.name if way.current else ""
            results, reason = way.stop(StepOutcome.UNFINISHED, frame, time), way.reason
            frames = sum(result.waited + result.frames for result in results)
            taken = [result.frames_seen for result in results]
            last = Attempt(
                *(0, build, frame - frames, now.time, outcome, step, reason),
                frames=frames,
                steps=results,
                frames_seen=None if None in taken else sum(filter(None, taken)),
                doubtful=any(result.doubtful for result in results),
            )
            self.practice = self.practice.with_ended(last)
            way = Way(self._rules.steps, frame, time, None if missed is None else 0, seen)
            way.doubtful = bool(missed) or bool(now.unclear)
        self._way = way
        self._show(way, frame, self._reasons(conditions, way, ""), last)

    # parts

    def _steps_seen(self, conditions: Conditions) -> tuple[StepSeen, ...]:
        return tuple(
            StepSeen(
                conditions.true(f"steps.{number}.done"),
                conditions.true(f"steps.{number}.begin"),
                conditions.true(f"steps.{number}.fail"),
                any(
                    conditions.doubtful(f"steps.{number}.{name}")
                    for name in ("done", "begin", "fail")
                ),
                conditions.true(f"steps.{number}.after"),
                conditions.doubtful(f"steps.{number}.after"),
                (
                    conditions.rises(f"steps.{number}.done"),
                    conditions.rises(f"steps.{number}.after"),
                ),
            )
            for number in range(len(self._rules.steps))
        )

    def _reasons(self, conditions: Conditions, way: Way | None, others: str) -> str:
        """Why expressions that are looked at now have no value."""
        own = ""
        if way is not None and way.current is not None:
            looked = ("done", "fail", "after") if way.begun else ("begin", "after")
            own = conditions.reasons(f"steps.{way.index}.{name}" for name in looked)
        return "; ".join(filter(None, (own, others)))

    def _count(self, ended: Attempt) -> Attempt:
        ended = self._history.ended(ended)
        assert self.practice is not None
        self.practice = replace(self.practice.with_ended(ended), score=self._history.score)
        return ended

    def _counted(self, time: float, ended: Attempt | None) -> None:
        """The runner has counted something by hand."""
        assert self.practice is not None
        assert self._attempts is not None
        self._time = time
        if ended is not None:
            self.practice = self.practice.with_ended(ended)
        self.practice = replace(self.practice, score=self._history.score)
        self._show(self._attempts.way, self._attempts.frame, "", self._history.last)
        self.changed()

    def _show(self, way: Way | None, frame: int, reason: str, last: Attempt | None) -> None:
        assert self.practice is not None
        attempts = self._attempts
        attempt = attempts.open if attempts is not None else None
        length = frame - attempt.began_frame if attempt else 0
        seen = attempts.frames_seen if attempts is not None and attempt else None
        doubtful = attempts is not None and attempts.doubtful
        whole = None if seen is None else seen >= length
        if attempt is not None and doubtful:
            whole = False
        step = way.current if way is not None else None
        behind = self._rules.steps[way.index + 1 :] if way is not None and step else ()
        phase = Phase.BETWEEN
        if way is not None:
            waits = step is not None and not way.begun
            phase = Phase.WAITING if waits else Phase.DONE if way.finished else Phase.RUNNING
        score = self.practice.score
        if score is not None:
            between = self._history.unseen_between
            between += attempts.missed_between if attempts is not None else 0
            if between != score.unseen_between:
                score = replace(score, unseen_between=between)
        session, session_score = 0, None
        if attempts is not None and self._time is not None:
            session, session_score = self._history.session(self._time, attempt)
        self.practice = Practice(
            phase,
            step.name if step else "",
            way.index + 1 if way is not None and step else 0,
            len(self._rules.steps),
            way.frames(frame) if way is not None and step else 0,
            step.hint if step else "",
            reason,
            attempt.number if attempt else 0,
            length,
            last,
            score,
            attempt_frames_seen=seen,
            attempt_whole=whole,
            attempt_long=attempt is not None and self._history.is_long(length),
            finished=tuple(way.results) if way is not None else (),
            ended=self.practice.ended,
            recent=self.practice.recent,
            show=step.show if step else "",
            next_step=behind[0].name if behind else "",
            next_hint=behind[0].hint if behind else "",
            window=step.window if step else None,
            since=way.since(frame) if way is not None else None,
            too_soon=way.too_soon(frame) if way is not None else None,
            session=session,
            session_score=session_score,
        )


@dataclass(frozen=True, slots=True)
class _Now:
    """A frame's number, the time of day, the seconds that pass, and what was missed before it.

    ``unclear`` is why ``missed`` is the least that it may be, else empty.
    """

    frame: int
    time: float
    ticks: float
    missed: int | None
    unclear: str


def _nothing() -> None:
    """Nobody wants to know."""


def _kept(names: Sequence[str], readings: Sequence[Reading]) -> tuple[Kept, ...]:
    found = {reading.watch.name: reading for reading in readings}
    return tuple(
        Kept(
            name,
            str(found[name].status),
            found[name].value if found[name].status.has_value else None,
            found[name].text,
        )
        for name in names
    )
