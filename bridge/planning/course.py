"""A plan on one build, as what is to be seen of it: the heap and the states at every stage.

A *shape* is what a heap is to those who look: payload and kind of every block that is handed out,
in the order of addresses.  Sizes go with kinds, and holes are what is left; ages, the rover and
what is held are not to be seen.
"""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

from bridge.heap.blocks import Block
from bridge.planning.actions import Action
from bridge.planning.arena import HOLE, WALL, Arena
from bridge.planning.model import Task
from bridge.planning.policy import Policy
from bridge.planning.simulation import Moment, NotPossible, begin, stages

__all__ = ["HELD", "Course", "NotFollowable", "Shape", "Spot", "shape_of", "shape_of_blocks"]

Shape = tuple[tuple[int, str], ...]
"""Address of the payload and kind of each used block, by address."""
HELD = "allocator.held"
"""What stands for what is held, among the states that are seen."""
_MAX_KEPT = 512


class NotFollowable(Exception):
    """Why a plan cannot be followed on a build, in words."""


@dataclass(frozen=True, slots=True, order=True)
class Spot:
    """How far a plan is: ``step`` steps done, and of the next one ``stage`` allocations and
    releases."""

    step: int
    stage: int = 0


def shape_of(arena: Arena, policy: Policy) -> Shape:
    """An arena as who looks at the heap sees it."""
    header = policy.header
    return tuple(
        (cell.start + header, cell.kind) for cell in arena.cells if cell.kind not in (HOLE, WALL)
    )


def shape_of_blocks(blocks: Sequence[Block]) -> Shape:
    """A heap's blocks likewise, in whatever order its list has them."""
    return tuple(sorted((block.start, block.owner) for block in blocks if block.used))


class Course:
    """What a plan brings about on one build, moment by moment.

    ``task`` has that build's start alone, ``actions`` are the plan's in their order, ``moments``
    the moment before each and the last one's end, ``ways`` the moments after each of an action's
    stages.  With *sees_held* the game tells what is held, which then stands among the states as
    HELD.  Raises NotFollowable where an action cannot be done.
    """

    def __init__(
        self,
        name: str,
        task: Task,
        actions: Sequence[Action],
        title: str = "",
        *,
        sees_held: bool = False,
    ) -> None:
        (start,) = task.starts
        self._sees_held = sees_held
        self.name = name
        self.title = title
        self.build = start.game.build
        self.policy = start.game.policy
        self.task = task
        self.actions = tuple(actions)
        self.moments = [begin(task)]
        self.ways: list[tuple[Moment, ...]] = []
        for number, action in enumerate(self.actions, 1):
            try:
                way = stages(action, self.moments[-1], task)
            except NotPossible as fault:
                raise NotFollowable(f"step {number}, {action.name}: {fault}") from fault
            self.ways.append(tuple(way))
            self.moments.append(way[-1])
        self._numbers: OrderedDict[Shape, int] = OrderedDict()
        self._numbered: dict[int, Shape] = {}
        self._next = 0

    def moment(self, spot: Spot) -> Moment:
        """What is planned there."""
        return self.ways[spot.step][spot.stage - 1] if spot.stage else self.moments[spot.step]

    def shape(self, spot: Spot) -> Shape:
        """The heap there."""
        return self._shapes[spot]

    def shape_at(self, moment: Moment) -> Shape:
        """The heap in a moment."""
        return shape_of(moment.arenas[self.build], self.policy)

    def told(self, moment: Moment) -> Mapping[str, int]:
        """The states of a moment, with HELD the payload of what is held, 0 for nothing."""
        if not self._sees_held:
            return moment.states
        held = moment.arenas[self.build].held
        return {**moment.states, HELD: 0 if held is None else held + self.policy.header}

    def held(self, shape: Shape, address: int) -> int:
        """The payload of the block that an address is in, 0 where it is in none."""
        sizes = self.task.starts[0].game.sizes
        for at, kind in shape:
            if at <= address < at + sizes.get(kind, 1):
                return at
        return 0

    @cached_property
    def passed(self) -> Sequence[Mapping[str, frozenset[int]]]:
        """What each state may be while a step is under way, by step."""
        found = []
        for step, way in enumerate(self.ways):
            told = [self.told(moment) for moment in (self.moments[step], *way)]
            found.append({name: frozenset(each[name] for each in told) for name in told[0]})
        return found

    def unseen(self, step: int) -> bool:
        """Whether a step changes nothing that is to be seen."""
        before, after = Spot(step), Spot(step + 1)
        same = self.shape(before) == self.shape(after) and len(self.ways[step]) == 1
        return same and self.moment(before).states == self.moment(after).states

    def arena(self, spot: Spot) -> Arena:
        return self.moment(spot).arenas[self.build]

    @cached_property
    def _shapes(self) -> Mapping[Spot, Shape]:
        shapes: dict[Spot, Shape] = {}
        for step in range(len(self.moments)):
            stages = len(self.ways[step]) if step < len(self.ways) else 0
            for stage in range(stages + 1):
                spot = Spot(step, stage)
                shapes[spot] = shape_of(self.moment(spot).arenas[self.build], self.policy)
        return shapes

    @cached_property
    def spots(self) -> Mapping[Shape, Sequence[Spot]]:
        """Where each heap comes about, in the plan's order."""
        found: dict[Shape, list[Spot]] = {}
        for spot, shape in sorted(self._shapes.items()):
            found.setdefault(shape, []).append(spot)
        return found

    # heaps by number, since an expression's value is one

    def number(self, blocks: Sequence[Block], complete: bool = True) -> int | None:
        """A number of a heap: equal heaps have equal ones.  None of a damaged one."""
        if not complete:
            return None
        shape = shape_of_blocks(blocks)
        known = self._numbers.get(shape)
        if known is not None:
            self._numbers.move_to_end(shape)
            return known
        number = self._next
        self._next += 1
        self._numbers[shape] = number
        self._numbered[number] = shape
        while len(self._numbers) > _MAX_KEPT:
            _, old = self._numbers.popitem(last=False)
            del self._numbered[old]
        return number

    def numbered(self, number: int) -> Shape:
        """The heap of a number that was given lately."""
        return self._numbered[number]
