"""What is called impossible without a search: true against exhaustion, and silent where it is not.

Exhaustion is Dijkstra's on the plain simulation, see dijkstra.py.
"""

from __future__ import annotations

import random
import re
from collections import Counter
from dataclasses import replace
from itertools import product

import pytest

from bridge.planning.actions import Action, Alloc, Free, Hold, Interval, Which
from bridge.planning.arena import HOLE, WALL, Arena, Cell
from bridge.planning.compiling import compiled
from bridge.planning.find import find
from bridge.planning.model import Covered, Freed, GameModel, Limits, Placed, Start, Task
from bridge.planning.outcome import Verdict
from bridge.planning.policy import End, Fit, HoleOrder, Merge, Policy
from bridge.planning.proofs import impossible_because
from tests.bridge.planning.dijkstra import cheapest
from tests.bridge.planning.random_games import a_task
from tests.virtual_clock import VirtualClock

POLICY = Policy(header=4, alignment=4)
SIZES = {"crate": 12, "gull": 8, "lantern": 20, "courier": 12}
LOW = 0x1000
EVERYTHING = Free(("crate", "gull", "lantern"), Which.ALL)


def made(cells: list[tuple[int, str]], *actions: Action, policy: Policy = POLICY) -> Task:
    """A heap of cells of so many bytes; the goals are yet to be given."""
    laid: list[Cell] = []
    for age, (size, kind) in enumerate(cells):
        laid.append(Cell(laid[-1].end if laid else LOW, size, kind, age))
    rover = LOW if policy.tried_from is End.LOW else laid[-1].end
    arena = Arena(tuple(laid), rover if policy.fit is Fit.NEXT else None)
    return Task((Start(GameModel("disk", policy, SIZES), arena),), {"room": 0}, actions, ())


def wants(task: Task, kind: str | None, at: int) -> Task:
    """With the goal of a block whose header is so many bytes into the heap."""
    payload = LOW + at + task.starts[0].game.policy.header
    return replace(task, goals=(Placed(kind, {"disk": (payload, payload)}),))


def hand_out(kind: str, end: End | None = None, **more: object) -> Action:
    return replace(Action(kind, 1, effects=(Alloc(kind, 1, end),)), **more)  # type: ignore[arg-type]


def free(kind: str, which: Which = Which.NEWEST) -> Action:
    return Action(f"free {kind}", 1, effects=(Free((kind,), which),))


def said(task: Task) -> str:
    """The proof; what it calls impossible is so by exhaustion, and by the search without proofs."""
    reason = impossible_because(task, compiled(task, whole=True))
    expected = cheapest(task, 16, 300)
    if reason:
        assert expected is None or expected.frames is None, reason
    outcome = find(task, Limits(frames=16), VirtualClock())
    assert outcome.reason == reason or not reason
    if expected is not None and expected.frames is not None:
        assert outcome.plans[0].frames == expected.frames
    return reason


def test_a_permanent_block() -> None:
    cells = [(16, "crate"), (16, "courier"), (64, HOLE)]
    acts = (hand_out("gull"), free("crate"))
    words = "a permanent block lies there: the courier at 0x00001014, which no action releases"
    assert said(wants(made(cells, *acts), "gull", 16)) == words
    assert said(wants(made(cells, *acts), "gull", 20)) == words
    assert said(wants(made(cells, *acts), None, 16)) == ""  # it is a block itself
    assert said(wants(made(cells, *acts), "gull", 32)) == ""
    assert said(wants(made(cells, *acts, free("courier")), "gull", 16)) == ""
    freed = replace(made(cells, *acts), goals=(Freed({"disk": LOW + 20}),))
    assert said(freed) == words
    covered = replace(freed, goals=(Covered("gull", {"disk": LOW + 30}),))
    assert said(covered) == words


def test_what_is_no_block_and_what_is_too_small() -> None:
    cells = [(16, "courier"), (8, HOLE), (16, WALL), (64, HOLE)]
    task = made(cells, hand_out("gull"))
    assert said(wants(task, "gull", 16)) == (
        "the hole at 0x00001010 is too small for any block and never grows"
    )
    assert said(wants(task, "gull", 24)) == "what lies at 0x00001018 is no block and never changes"
    assert said(wants(task, "gull", 40)) == ""
    shrunk = made([(16, "crate"), *cells[1:]], hand_out("gull"), free("crate"))
    assert said(wants(shrunk, "gull", 0)) == ""


def test_a_block_that_no_action_that_can_be_reached_releases() -> None:
    cells = [(16, "crate"), (64, HOLE)]
    door = Action("door", 1, sets={"room": 1})
    there = replace(free("crate"), needs={"room": (Interval(1, 1),)})
    task = made(cells, hand_out("gull"), there)
    assert said(wants(task, "gull", 0)) == (
        "a permanent block lies there: the crate at 0x00001004, which no action releases"
    )
    assert said(wants(replace(task, actions=(*task.actions, door)), "gull", 0)) == ""
    here = replace(hand_out("gull"), needs={"room": (Interval(0, 0),)})
    task = made(cells, here, there, door)
    assert said(wants(task, "gull", 0)) == (
        "the crate at 0x00001004 lies there, and no action that can be reached releases it and "
        "hands out a block of gull after that"
    )


def test_no_action_that_can_be_reached_hands_it_out() -> None:
    words = "no action that can be reached hands out a block of gull"
    door = Action("door", 1, sets={"room": 2})
    there = replace(hand_out("gull"), needs={"room": (Interval(2, None),)})
    assert said(wants(made([(64, HOLE)], hand_out("crate")), "gull", 0)) == words
    assert said(wants(made([(64, HOLE)], hand_out("crate"), there), "gull", 0)) == words
    assert said(wants(made([(64, HOLE)], there, door), "gull", 0)) == ""
    never = replace(hand_out("gull"), limit=0)
    assert said(wants(made([(64, HOLE)], never), "gull", 0)) == words


def test_no_block_starts_there() -> None:
    task = made([(64, HOLE)], hand_out("gull"))
    payload = LOW + 6
    task = replace(task, goals=(Placed("gull", {"disk": (payload, payload)}),))
    assert said(task) == (
        "no block starts at 0x00001006: they do from 0x00001004 to 0x00001040 every 0x4 bytes"
    )
    task = replace(task, goals=(Freed({"disk": LOW + 64}),))
    assert said(task) == "0x00001040 is outside the heap"


@pytest.mark.parametrize("merge", list(Merge))
@pytest.mark.parametrize("fit", list(Fit))
def test_no_sum_of_sizes(fit: Fit, merge: Merge) -> None:
    """From the low end 12 and 16 make 24, 28 and so on but never 20; from the high end others."""
    words = "no sum of block sizes from any boundary reaches 0x00001018"
    low = replace(POLICY, fit=fit, merge=merge)
    acts = (hand_out("gull"), hand_out("crate"), free("crate"), free("gull"))
    task = made([(50 + 2, HOLE)], *acts, policy=low)
    assert said(wants(task, "gull", 20)) == words
    assert said(wants(task, "gull", 24)) == ""
    assert said(wants(task, "gull", 28)) == ""
    # neither 52 - 32 nor, for the gull's other end, 52 - 44 is a sum, while 52 - 24 is one
    high = replace(low, carved_from=End.HIGH)
    assert said(wants(made([(52, HOLE)], *acts, policy=high), "gull", 32)) == (
        words.replace("0x00001018", "0x00001024")
    )
    assert said(wants(made([(52, HOLE)], *acts, policy=high), "gull", 24)) == ""
    assert said(wants(made([(48, HOLE)], *acts, policy=high), "gull", 20)) == ""
    # a block from each end
    mixed = (hand_out("gull"), hand_out("crate", End.HIGH))
    assert said(wants(made([(48, HOLE)], *mixed, policy=low), "gull", 20)) == ""
    assert said(wants(made([(52, HOLE)], *mixed[:1], policy=low), "gull", 20)) == words
    # a boundary that is there already
    assert said(wants(made([(20, "crate"), (44, HOLE)], *acts, policy=low), "gull", 20)) == ""
    # a block that gets all of its hole ends where that did
    wide = replace(low, least_rest=12)
    task = made([(20, HOLE), (16, "lantern"), (24, HOLE)], *acts, free("lantern"), policy=wide)
    assert said(wants(task, "gull", 20)) == ""


def test_a_wall_ends_the_sums() -> None:
    cells = [(16, "crate"), (16, WALL), (64, HOLE)]
    task = made(cells, hand_out("gull"), free("crate"))
    words = "no sum of block sizes from any boundary reaches 0x00001030"
    assert said(wants(task, "gull", 44)) == ""
    assert said(wants(task, "gull", 44 - 0x1030 % 4)) == ""
    assert said(wants(task, "gull", 40)) == words.replace("0x00001030", "0x0000102C")


def doors(*more: Action) -> tuple[Action, ...]:
    """A gull comes only where a door has released all."""
    return (
        Action("door", 5, effects=(EVERYTHING, Alloc("crate"), Alloc("gull"))),
        Action("gate", 7, effects=(EVERYTHING, Alloc("gull"))),
        hand_out("crate"),
        free("crate"),
        *more,
    )


HEAP = [(16, "crate"), (12, "gull"), (16, "crate"), (60, HOLE)]


def test_all_is_released_before() -> None:
    """A crate before the gull, or none: at 16 or at 0, wherever crates were."""
    task = made(HEAP, *doors())
    assert said(wants(task, "gull", 32)) == (
        "every action that hands out a block of gull first releases all that can be released, "
        "so that one lies at 0x00001004, 0x00001014 and nowhere else"
    )
    assert said(wants(task, "gull", 0)) == ""
    assert said(wants(made(HEAP, *doors(hand_out("gull"))), "gull", 32)) == ""
    # what the door leaves decides where it lies
    kept = Free(("gull", "lantern"), Which.ALL)
    door = Action("door", 5, effects=(kept, Alloc("gull")))
    assert said(wants(made(HEAP, door, hand_out("crate"), free("crate")), "gull", 32)) == ""
    # a block that nothing releases may come in between
    buoy = replace(made(HEAP, *doors(hand_out("courier"))), goals=())
    assert said(wants(buoy, "gull", 32)) == ""
    # what is held decides
    hold = Action("hold", 1, effects=(Hold(("crate",), Which.NEWEST),))
    held = Action("door", 5, effects=(EVERYTHING, Alloc("crate"), Free(("crate",), Which.HELD)))
    assert said(wants(made(HEAP, *doors(hold, held, hand_out("gull"))), "gull", 32)) == ""


@pytest.mark.parametrize(
    ("fit", "order", "merge", "tried"), list(product(Fit, HoleOrder, Merge, End))[::3]
)
def test_all_is_released_before_under_every_policy(
    fit: Fit, order: HoleOrder, merge: Merge, tried: End
) -> None:
    policy = replace(POLICY, fit=fit, order=order, merge=merge, tried_from=tried)
    simple = order is HoleOrder.ADDRESS and merge is Merge.BOTH and fit is not Fit.NEXT
    task = wants(made(HEAP, *doors(), policy=policy), "gull", 28)
    reason = said(task)
    assert (reason.startswith("every action")) == simple


@pytest.mark.parametrize("games", [70, pytest.param(8000, marks=pytest.mark.full)])
def test_in_random_games(games: int) -> None:
    """A proof never holds where Dijkstra finds a plan; each kind of proof occurs."""
    kinds: Counter[str] = Counter()
    for seed in range(games):
        task = a_task(random.Random(f"{seed} proofs"))
        reason = impossible_because(task, compiled(task, whole=True))
        expected = cheapest(task, 9, 800)
        if expected is not None and expected.frames is not None:
            assert not reason, (seed, reason)
            kinds["silent, and rightly so"] += 1
        elif reason:
            kinds[re.sub(r"0x[0-9a-f]+|crate|gull|lantern|mist|courier", "…", reason)[-60:]] += 1
            assert find(task, Limits(), VirtualClock()).verdict is Verdict.IMPOSSIBLE
    assert kinds["silent, and rightly so"] > games // 10
    assert len(kinds) > 6
    if games > 1000:
        print(kinds)
