"""What an action makes of the heaps and states: the plain reference that every engine is held to.

``begin`` makes the moment in which a task starts; ``perform`` the moment after one action.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from itertools import pairwise, zip_longest

from bridge.planning.actions import Action, Alloc, Free, Hold, Interval, LetGo, Which
from bridge.planning.allocation import NotKnown, NotPossible, allocate, release
from bridge.planning.arena import HOLE, WALL, Arena, Cell
from bridge.planning.model import GameModel, Task
from bridge.planning.policy import HoleOrder, Merge, Policy

__all__ = ["Moment", "NotPossible", "begin", "chosen", "order_matters", "perform", "stages"]


@dataclass(frozen=True, slots=True)
class Moment:
    """All that planning knows between two actions.

    ``arenas`` is by build, ``uses`` how often each action was done since the start, by its name.
    """

    arenas: Mapping[str, Arena]
    states: Mapping[str, int]
    uses: Mapping[str, int]


def begin(task: Task) -> Moment:
    """The moment in which nothing was done yet."""
    return Moment(
        arenas={start.game.build: start.arena for start in task.starts},
        states=dict(task.states),
        uses={action.name: 0 for action in task.actions},
    )


def perform(action: Action, moment: Moment, task: Task) -> Moment:
    """The moment after an action; NotPossible says why it cannot be done."""
    return stages(action, moment, task)[-1]


def stages(action: Action, moment: Moment, task: Task) -> list[Moment]:
    """The moments after every single allocation or release; the last is that after the action.

    States change with the last.  Where a build has fewer than another its last stands for the rest.
    """
    _check_needs(action, moment)
    ways: list[list[Arena]] = []
    for start in task.starts:
        build = start.game.build
        try:
            ways.append(_way(action, moment.arenas[build], start.game))
        except NotPossible as fault:
            words = f"{build}: {fault}" if len(task.starts) > 1 else f"{fault}"
            raise type(fault)(words) from None
    builds = [start.game.build for start in task.starts]
    last = [way[-1] for way in ways]
    moments = [
        replace(
            moment,
            arenas={
                build: end if arena is None else arena
                for build, arena, end in zip(builds, arenas, last, strict=True)
            },
        )
        for arenas in zip_longest(*ways)
    ]
    states = {**moment.states, **action.sets}
    for name, number in action.adds.items():
        states[name] += number
    uses = {**moment.uses, action.name: moment.uses.get(action.name, 0) + 1}
    moments[-1] = Moment(moments[-1].arenas, states, uses)
    return moments


def _check_needs(action: Action, moment: Moment) -> None:
    for name, intervals in action.needs.items():
        value = moment.states[name]
        if not any(value in interval for interval in intervals):
            wanted = " or ".join(_interval(interval) for interval in intervals)
            raise NotPossible(f"{name} is {value}, needed is {wanted}")
    done = moment.uses.get(action.name, 0)
    if action.limit is not None and done >= action.limit:
        raise NotPossible(f"it was done {done} times, its limit is {action.limit}")


def _interval(interval: Interval) -> str:
    if interval.low == interval.high:
        return f"{interval.low}"
    if interval.low is None:
        return f"at most {interval.high}"
    if interval.high is None:
        return f"at least {interval.low}"
    return f"{interval.low} to {interval.high}"


def _way(action: Action, arena: Arena, game: GameModel) -> list[Arena]:
    """The arena after each allocation or release; holding and letting go belong to the one before.

    Where nothing is allocated or released it is the arena after the action alone.
    """
    way: list[Arena] = []
    for effect in action.effects:
        if isinstance(effect, Hold | LetGo):
            arena = _held(effect, arena)
            if way:
                way[-1] = arena
            continue
        way += _changed(effect, arena, game)
        arena = way[-1] if way else arena
    return way or [arena]


def _held(effect: Hold | LetGo, arena: Arena) -> Arena:
    if isinstance(effect, Hold):
        (block,) = chosen(arena, effect.kinds, effect.which)
        return replace(arena, held=block.start)
    if arena.held is None:
        raise NotPossible("nothing is held")
    return replace(arena, held=None)


def _changed(effect: Alloc | Free, arena: Arena, game: GameModel) -> Iterator[Arena]:
    if isinstance(effect, Alloc):
        if effect.kind not in game.sizes:
            raise NotPossible(f"no size of {effect.kind} is known")
        for _ in range(effect.count):
            arena = allocate(arena, game.policy, game.sizes[effect.kind], effect.kind, effect.end)
            yield arena
        return
    matters = order_matters(game.policy)
    if effect.which is Which.ALL:
        blocks = chosen(arena, effect.kinds, effect.order, count=None, in_order=matters)
    else:
        blocks = chosen(arena, effect.kinds, effect.which, effect.count, in_order=matters)
    for block in blocks:
        arena = release(arena, game.policy, block.start)
        yield arena


def order_matters(policy: Policy) -> bool:
    """Whether releasing the same blocks in another order can leave another arena.

    Holes that are gone through by address are what they cover; where a hole is joined with one
    neighbour alone it matters which of two was released first, where by age which hole is newer.
    """
    return policy.order is HoleOrder.RECENT or policy.merge in (Merge.NEXT, Merge.PREVIOUS)


def chosen(
    arena: Arena,
    kinds: tuple[str, ...],
    which: Which,
    count: int | None = 1,
    in_order: bool = True,
) -> list[Cell]:
    """The ``count`` blocks that are meant, in their order; all where ``count`` is None.

    NotPossible where there are fewer, or where it hangs on an age that is not known: with
    ``in_order`` also where only the order among those that are meant does.
    """
    blocks = [cell for cell in arena.cells if cell.kind in kinds and cell.kind not in (HOLE, WALL)]
    named = " or ".join(kinds)
    if which is Which.HELD:
        held = [block for block in blocks if block.start == arena.held]
        if not held:
            raise NotPossible(f"no {named} is held")
        return held
    if count is None:
        count = len(blocks)
    if len(blocks) < count:
        raise NotPossible(
            f"there are only {len(blocks)} of {count} {named}" if blocks else f"there is no {named}"
        )
    if which in (Which.NEWEST, Which.OLDEST):
        blocks.sort(key=_age, reverse=which is Which.NEWEST)
        _check_ages(blocks, count, which, in_order)
    elif which is Which.HIGHEST:
        blocks.reverse()
    return blocks[:count]


def _check_ages(blocks: list[Cell], count: int, which: Which, in_order: bool) -> None:
    """Refuse a choice among blocks in the order of their ages that two of one age could turn."""
    first = 0 if in_order else max(count - 1, 0)
    for one, other in list(pairwise(blocks))[first:count]:
        if one.age == other.age:
            raise NotKnown(
                f"of the {one.kind} with its header at 0x{one.start:08X} and the {other.kind} at "
                f"0x{other.start:08X} it is not known which is the {which.value}"
            )


def _age(cell: Cell) -> int:
    return -1 if cell.age is None else cell.age
