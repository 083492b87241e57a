"""Recorded play that is made up: a game with a known allocator and known actions, done at random.

The game is the plain reference of allocations itself; what learning gets to see of it are heaps.
"""

from __future__ import annotations

import random
from collections.abc import Mapping, Sequence
from dataclasses import replace

from bridge.heap.blocks import Block, Heap
from bridge.planning.actions import Action, Alloc, Free, Which
from bridge.planning.arena import HOLE, Arena, Cell
from bridge.planning.learning.observed import Play, PlayWatcher
from bridge.planning.model import GameModel, Start, Task
from bridge.planning.policy import End, Fit, HoleOrder, Merge, Policy
from bridge.planning.simulation import Moment, NotPossible, begin, perform

BASE = 0x8010_0000
SIZES = {"crate": 0x1C8, "gull": 0x1C8, "buoy": 0x1B0, "lantern": 0x1B8, "mist": 0x230}
"""Bytes that are asked for."""

BOTH = Policy(header=16, alignment=16, least_rest=0x20, merge=Merge.BOTH)
POLICIES: Mapping[str, Policy] = {
    "first": BOTH,
    "best": replace(BOTH, fit=Fit.BEST),
    "worst": replace(BOTH, fit=Fit.WORST),
    "next": replace(BOTH, fit=Fit.NEXT),
    "recent": replace(BOTH, order=HoleOrder.RECENT),
    "deferred": replace(BOTH, merge=Merge.WHEN_FULL),
    "from the top": replace(BOTH, tried_from=End.HIGH, carved_from=End.HIGH),
    "merged behind": replace(BOTH, merge=Merge.NEXT, carved_from=End.HIGH, least_rest=0x100),
    "never merged": replace(BOTH, fit=Fit.BEST, order=HoleOrder.RECENT, merge=Merge.NEVER),
}

ACTIONS: tuple[Action, ...] = (
    Action(
        "gallery_door",
        95,
        effects=(
            Free(("buoy", "crate", "gull", "lantern", "mist"), Which.ALL),
            Alloc("crate", 2),
            Alloc("lantern"),
            Alloc("gull"),
        ),
    ),
    Action(
        "harbour_door",
        120,
        effects=(
            Free(("buoy", "crate", "gull", "lantern", "mist"), Which.ALL),
            Alloc("buoy"),
            Alloc("gull"),
            Alloc("buoy"),
            Alloc("crate"),
        ),
    ),
    Action("call_gull", 40, effects=(Alloc("gull"),)),
    Action("shoo_gull", 30, effects=(Free(("gull",), Which.NEWEST),)),
    Action("light_mist", 50, effects=(Alloc("mist"),)),
    Action("break_crate", 20, effects=(Free(("crate",), Which.OLDEST),)),
    Action("swap", 25, effects=(Free(("buoy", "lantern"), Which.LOWEST), Alloc("crate"))),
)


class MadeGame:
    """A game that can be told to do an action; ``watcher`` sees its heap after each."""

    def __init__(
        self,
        policy: Policy,
        actions: Sequence[Action] = ACTIONS,
        *,
        size: int = 0x4000,
        base: int = BASE,
        ages: bool = False,
        build: str = "first-print",
    ) -> None:
        self.policy, self.ages = policy, ages
        self.actions = {action.name: action for action in actions}
        arena = Arena(
            (Cell(base, size, HOLE, 0),),
            base + (size if policy.tried_from is End.HIGH else 0),
        )
        game = GameModel(build, policy, SIZES)
        self.task = Task((Start(game, arena),), {}, tuple(actions), ())
        self.moment: Moment = begin(self.task)
        self.build = build
        self.frame = 100
        self.watcher = PlayWatcher("made", build)
        self.serials: dict[tuple[int, int | None], int] = {}

    @property
    def arena(self) -> Arena:
        return self.moment.arenas[self.build]

    @property
    def play(self) -> Play:
        return self.watcher.play

    def look(self, actions: Sequence[str] = ()) -> None:
        """A frame passes."""
        self.frame += 1
        held = self.arena.held
        if held is not None:
            held += self.policy.header
        self.watcher.take(self.frame, self.heap(), actions, held)

    def do(self, name: str) -> bool:
        """An action in one frame, and a frame behind it; False where it cannot be done."""
        try:
            self.moment = perform(self.actions[name], self.moment, self.task)
        except NotPossible:
            return False
        self.look([name])
        self.look()
        return True

    def heap(self) -> Heap:
        blocks = []
        for index, cell in enumerate(self.arena.cells):
            used = cell.kind != HOLE
            start = cell.start + self.policy.header
            # one that is handed out anew has another age, so that it is told from the one before
            serial = cell.age if used else 0
            block = Block(
                start, cell.end - start, used, index, cell.kind, cell.start, generation=serial
            )
            blocks.append(block)
        return Heap(tuple(blocks), header_size=self.policy.header)


def played(game: MadeGame, count: int, seed: int) -> MadeGame:
    """So many actions at random."""
    chance = random.Random(seed)
    game.look()
    names = sorted(game.actions)
    for _ in range(count):
        game.do(chance.choice(names))
    return game
