"""Drawn sittings at the tracker: what is shown at any time is what the kept attempts give."""

from __future__ import annotations

import contextlib
import random
from collections.abc import Iterable

import pytest

from bridge.practice.attempts import Attempt, Outcome
from bridge.practice.sittings import APART, numbered, sessions_of
from bridge.practice.steps import Step
from bridge.practice.totals import Totals
from bridge.sampling.counter_pace import RESET
from bridge.sampling.practice_tracker import PracticeTracker, Rules
from bridge.values.value_type import Value
from schemas.errors import OutputError
from tests.bridge.made_practice import Remembering
from tests.virtual_clock import SetClock

STEPS = ("corner", "door")
RULES = Rules(tuple(map(Step, STEPS)), attempts=True, succeeds=False)


class Drawn:
    """What a frame shows, for ``Conditions``: the expressions that are true."""

    build = "print"

    def __init__(self, frame: int, true: frozenset[str]) -> None:
        self.frame = frame
        self._true = true

    def true(self, name: str) -> bool:
        return name in self._true

    def rises(self, name: str) -> int:
        return 0

    def doubtful(self, name: str) -> bool:
        return False

    def reasons(self, names: Iterable[str]) -> str:
        return ""

    def moments(self) -> Iterable[tuple[str, Value | None]]:
        return ()

    moments_apart = moments


class Sitting:
    """One run of lowhalf over a game; *kept* are the attempts of those before."""

    def __init__(self, draw: random.Random, kept: dict[int, Attempt], clock: SetClock) -> None:
        self.draw = draw
        self.kept = kept
        self.clock = clock
        self.frame = draw.randrange(1000)
        self.log = Remembering(list(kept.values()))
        self.tracker = PracticeTracker(RULES, self.log, clock)

    async def play(self, count: int) -> None:
        await self.tracker.open(self.clock.day)
        for _ in range(count):
            self.one()
            self.check()
        await self.tracker.close("lowhalf ended")
        self.take()

    def one(self) -> None:
        draw, tracker = self.draw, self.tracker
        hand = tracker.by_hand
        assert hand is not None
        what = draw.choice(("frame",) * 12 + ("count", "again", "undo", "undo", "lost", "pause"))
        with contextlib.suppress(OutputError):  # nothing is left to undo
            match what:
                case "frame":
                    missed = draw.choice((0,) * 6 + (1, 40))
                    self.frame += 1 + missed
                    self.go_on((1 + missed) / 60)
                    names = ("begins", "given_up")
                    true = {f"attempts.{n}" for n in names if draw.random() < 0.15}
                    true |= {f"steps.{n}.{e}" for n in (0, 1) for e in ("done", "fail")}
                    kept = frozenset(n for n in true if n[0] == "a" or draw.random() < 0.15)
                    tracker.take(
                        Drawn(self.frame, kept), self.clock.day, tuple, ticks=self.clock.seconds
                    )
                case "count":
                    hand.count()
                case "again":
                    hand.again()
                case "undo":
                    hand.undo()
                case "lost":
                    tracker.cut_off(draw.choice((RESET, "the source was lost")))
                case "pause":
                    self.go_on(draw.choice((2.0, APART + 60)))

    def go_on(self, seconds: float) -> None:
        self.clock.seconds += seconds
        self.clock.day += seconds

    def take(self) -> None:
        for each in (*self.log.begun, *self.log.ends):
            before = self.kept.get(each.number)
            # an attempt is the same from its beginning on, whatever becomes of it
            if before is not None:
                told = (before.session, before.began_time, before.build)
                assert (each.session, each.began_time, each.build) == told
            self.kept[each.number] = each
        self.log.begun.clear()
        self.log.ends.clear()

    def check(self) -> None:
        self.take()
        practice = self.tracker.practice
        assert practice is not None
        ended = [a for _, a in sorted(self.kept.items()) if a.outcome is not Outcome.OPEN]
        assert numbered(ended) == ended  # each has its session
        totals = Totals(STEPS)
        for each in ended:
            totals.add(each)
        score, shown = totals.score(), practice.score
        assert shown is not None
        assert (shown.all, shown.streak, shown.cut_off) == (score.all, score.streak, score.cut_off)
        assert (shown.best, shown.median, shown.steps) == (score.best, score.median, score.steps)
        assert shown.not_whole == score.not_whole
        here = Totals(STEPS)
        for each in ended:
            if each.session == practice.session:
                here.add(each)
        assert practice.session_score == here.score()
        left = [each for each in ended if not each.undone]
        assert practice.last == (max(left, key=lambda a: a.number) if left else None)
        for each in ended:
            if each.frames is not None and each.frames_seen is not None:
                assert 0 <= each.frames_seen <= each.frames
            if each.undone:
                assert each.outcome is not Outcome.CUT_OFF
        assert sum(len(s.attempts) for s in sessions_of(ended, {})) == len(ended)


@pytest.mark.parametrize(
    "seed", [*range(4), *(pytest.param(seed, marks=pytest.mark.full) for seed in range(4, 200))]
)
async def test_what_is_shown_is_what_is_kept(seed: int) -> None:
    """Also where lowhalf ends and goes on later, with what the file has."""
    draw = random.Random(seed)
    clock = SetClock(100.0, 1_000_000.0)
    kept: dict[int, Attempt] = {}
    for _ in range(3):
        sitting = Sitting(draw, kept, clock)
        await sitting.play(60)
        assert all(each.outcome is not Outcome.OPEN for each in kept.values())
        sitting.go_on(draw.choice((5.0, APART + 5.0)))
    assert {each.by_hand for each in kept.values()} == {True, False}
    assert any(each.undone for each in kept.values())
