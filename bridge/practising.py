"""Steps, attempts and tallies, fed from the frames that are taken.

The expressions are slots of the same program as the watches, so that functions over frames in them
see every frame.  One of these lives as long as the daemon: it outlasts samplers and builds.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from bridge.absence import Absent
from bridge.attempts import Attempt, Attempts, Kept, Outcome, Seen
from bridge.evaluator import Evaluator
from bridge.keeper import Keeper
from bridge.plan import Plan
from bridge.practice import Phase, Practice
from bridge.readings import Reading
from bridge.steps import Step, StepOutcome, StepSeen, Way
from bridge.totals import Totals
from schemas.bridge_file import BridgeFile
from schemas.errors import OutputError

RESET = "the game was reset"


@dataclass(frozen=True, slots=True)
class Rules:
    """What the bridge file asks for."""

    steps: tuple[Step, ...] = ()
    attempts: bool = False
    success: bool = False
    keep: tuple[str, ...] = ()

    @classmethod
    def of(cls, file: BridgeFile) -> Rules:
        steps = tuple(Step(step.name, step.hint, bool(step.begin)) for step in file.steps)
        table = file.attempts
        if table is None:
            return cls(steps)
        return cls(steps, True, bool(table.success), table.keep)


class Practising:
    """``practice`` is what frames say of it; None where there are neither steps nor attempts."""

    def __init__(self, rules: Rules, keeper: Keeper | None = None) -> None:
        self._rules = rules
        self._keeper = keeper
        self._totals = Totals(step.name for step in rules.steps)
        self._attempts: Attempts | None = None
        if rules.attempts:
            self._attempts = Attempts(rules.steps, success=rules.success)
        self._way: Way | None = None
        self._build: str | None = None
        self.practice: Practice | None = None
        if rules.steps or rules.attempts:
            score = self._totals.score() if rules.attempts else None
            self.practice = Practice(steps=len(rules.steps), score=score)

    async def open(self) -> None:
        """Go on from what is kept.  Raises OutputError; then all goes on without being kept."""
        if self._keeper is None:
            return
        try:
            history = await self._keeper.open()
        except OutputError:
            self._keeper = None
            raise
        for attempt in history:
            self._totals.add(attempt)
        if self._attempts is not None and self.practice is not None:
            self._attempts.number = max((attempt.number for attempt in history), default=0)
            last = next((a for a in reversed(history) if a.outcome is not Outcome.OPEN), None)
            self.practice = replace(self.practice, last=last, score=self._totals.score())

    async def close(self, reason: str) -> None:
        """The daemon ends."""
        self.cut_off(reason)
        if self._keeper is not None:
            await self._keeper.close()

    def take(
        self,
        plan: Plan,
        evaluator: Evaluator,
        time: float,
        readings: Callable[[], Sequence[Reading]],
    ) -> Practice | None:
        """A frame was taken and committed: its moments, steps and attempts."""
        build = plan.layout.name
        if self._keeper is not None:
            for text, value in evaluator.moments():
                self._keeper.tallied(text, build, value)
        if self.practice is None:
            return None
        if self._build not in (None, build):
            self.cut_off("another build runs")
        self._build = build
        look = _Look(plan, evaluator)
        if self._attempts is not None:
            self._take_attempts(self._attempts, look, evaluator.frame, time, build, readings)
        else:
            self._take_steps(look, evaluator.frame, time, build)
        return self.practice

    def cut_off(self, reason: str) -> None:
        """What comes next does not follow from what was."""
        if self.practice is None:
            return
        ended = self._attempts.cut_off(reason) if self._attempts is not None else None
        self._way = None
        if ended is not None:
            self._count(ended)
        self._show(None, 0, "", self.practice.last if ended is None else ended)

    # with and without attempts

    def _take_attempts(
        self,
        attempts: Attempts,
        look: _Look,
        frame: int,
        time: float,
        build: str,
        readings: Callable[[], Sequence[Reading]],
    ) -> None:
        seen = Seen(
            look.true("attempts.start"),
            look.true("attempts.success"),
            look.true("attempts.reset"),
            self._steps_seen(look),
        )
        before = attempts.number
        ended = attempts.take(seen, frame, time, build)
        if ended is not None:
            if ended.outcome in (Outcome.SUCCESS, Outcome.FAILED) and self._rules.keep:
                ended = replace(ended, kept=_kept(self._rules.keep, readings()))
            self._count(ended)
        if attempts.number != before and attempts.open is not None and self._keeper is not None:
            self._keeper.began(attempts.open)
        looked = ["success", "reset"] if attempts.open else ["start"]
        reason = look.reasons(f"attempts.{name}" for name in looked)
        last = self.practice.last if ended is None and self.practice else ended
        self._show(attempts.way, frame, self._reasons(look, attempts.way, reason), last)

    def _take_steps(self, look: _Look, frame: int, time: float, build: str) -> None:
        """Without attempts the first step comes after the last one again, and after a failed one.

        It is looked at from the next frame on, so that steps that stay done give a lap a frame at
        most.
        """
        assert self.practice is not None
        way, last = self._way, self.practice.last
        if way is None:
            way = Way(self._rules.steps, frame, time)
        way.take(self._steps_seen(look), frame, time)
        if way.failed or way.finished:
            outcome = Outcome.FAILED if way.failed else Outcome.SUCCESS
            step = way.current.name if way.current else ""
            results = way.stop(StepOutcome.UNFINISHED, frame, time)
            frames = sum(result.waited + result.frames for result in results)
            last = Attempt(
                0, build, frame - frames, time, outcome, step, frames=frames, steps=results
            )
            self.practice = self.practice.with_ended(last)
            way = Way(self._rules.steps, frame, time)
        self._way = way
        self._show(way, frame, self._reasons(look, way, ""), last)

    # parts

    def _steps_seen(self, look: _Look) -> tuple[StepSeen, ...]:
        return tuple(
            StepSeen(
                look.true(f"steps.{number}.done"),
                look.true(f"steps.{number}.begin"),
                look.true(f"steps.{number}.fail"),
            )
            for number in range(len(self._rules.steps))
        )

    def _reasons(self, look: _Look, way: Way | None, others: str) -> str:
        """Why expressions that are looked at now have no value."""
        own = ""
        if way is not None and way.current is not None:
            looked = ("done", "fail") if way.begun else ("begin",)
            own = look.reasons(f"steps.{way.index}.{name}" for name in looked)
        return "; ".join(filter(None, (own, others)))

    def _count(self, ended: Attempt) -> None:
        self._totals.add(ended)
        if self._keeper is not None:
            self._keeper.ended(ended)
        assert self.practice is not None
        self.practice = replace(self.practice.with_ended(ended), score=self._totals.score())

    def _show(self, way: Way | None, frame: int, reason: str, last: Attempt | None) -> None:
        assert self.practice is not None
        attempt = self._attempts.open if self._attempts is not None else None
        step = way.current if way is not None else None
        phase = Phase.BETWEEN
        if way is not None:
            waits = step is not None and not way.begun
            phase = Phase.WAITING if waits else Phase.DONE if way.finished else Phase.RUNNING
        self.practice = Practice(
            phase,
            step.name if step else "",
            way.index + 1 if way is not None and step else 0,
            len(self._rules.steps),
            way.frames(frame) if way is not None and step else 0,
            step.hint if step else "",
            reason,
            attempt.number if attempt else 0,
            frame - attempt.began_frame if attempt else 0,
            last,
            self.practice.score,
            self.practice.ended,
            self.practice.recent,
        )


class _Look:
    """What the hidden expressions gave in a frame."""

    def __init__(self, plan: Plan, evaluator: Evaluator) -> None:
        self._slots: Mapping[str, int] = plan.program.watches
        self._values = evaluator.values
        self._faults: Sequence[Absent | None] = evaluator.faults

    def true(self, name: str) -> bool:
        """Whether an expression is true; one that has no value, or is not there, is not."""
        slot = self._slots.get(name)
        return slot is not None and self._faults[slot] is None and bool(self._values[slot])

    def reasons(self, names: Iterable[str]) -> str:
        found = []
        for name in names:
            slot = self._slots.get(name)
            fault = self._faults[slot] if slot is not None else None
            if fault is not None:
                found.append(f"{name.rpartition('.')[2]}: {fault.reason}")
        return "; ".join(found)


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
