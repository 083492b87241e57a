"""Practice on the real guest: no verdict is wrong and unmarked, whatever the load.

Source of truth: the demo game's own script, compiled C on an emulated MIPS processor.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from pathlib import Path

import pytest

from bridge.practice.attempts import Outcome
from tests import practice_live
from tests.guest import practice
from tests.guest.machine import GuestMachine
from tests.practice_live import Told

pytestmark = [
    pytest.mark.needs("gcc-mips-linux-gnu", "mips-linux-gnu-gcc", "mips-linux-gnu-nm"),
    pytest.mark.needs("qemu-system-mips", "qemu-system-mips"),
]


@dataclass(frozen=True)
class Played:
    attempts: int
    normal: Told
    held_back: Told


@pytest.fixture(
    scope="module", params=[30, pytest.param(practice.ATTEMPTS, marks=pytest.mark.full)]
)
def played(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory, elf: Path
) -> Played:
    """The first attempts, which take 10 s, or all, 45 s: the game plays 60 frames a second."""
    directory = tmp_path_factory.mktemp("practice")
    with GuestMachine(elf, directory) as machine:
        told = practice_live.play(machine, directory, request.param)
        assert machine.read_symbol_u32("fault") == 0
    return Played(request.param, *told)


def test_the_practice_has_everything() -> None:
    """Successes, failures, resets and restarts, the last three in each step."""
    story = practice.story(1000)
    assert len(story) == practice.ATTEMPTS == 200
    kinds = Counter((true.outcome, true.step, true.again) for true in story)
    assert kinds[Outcome.SUCCESS, "", False] > 50
    for step in practice.STEPS:
        for outcome, again in (
            (Outcome.FAILED, False),
            (Outcome.GIVEN_UP, False),
            (Outcome.GIVEN_UP, True),
        ):
            assert kinds[outcome, step, again] >= 5, (outcome, step, again)
    assert len(kinds) == 10


def test_no_verdict_is_wrong_and_unmarked_at_a_normal_load(played: Played) -> None:
    normal = played.normal
    assert normal.judgement.wrong == ()
    # the counter tells of each attempt, also of one of which nothing was seen
    assert played.attempts <= len(normal.attempts) <= normal.begun
    # a busy machine may miss frames, and marks what it missed; that it sees none is no truth
    assert normal.judgement.whole > 0


def test_no_verdict_is_wrong_and_unmarked_where_a_third_is_missed(played: Played) -> None:
    held_back = played.held_back
    assert held_back.judgement.wrong == ()
    assert played.attempts <= len(held_back.attempts) <= held_back.begun
    assert held_back.missed > 0.2
    assert held_back.judgement.marked > played.attempts / 2
    # the marks are needed: so many of these verdicts are not what happened
    assert held_back.judgement.mistaken > played.attempts / 20
