"""A task becomes a problem: kinds, addresses and states turn into small whole numbers.

What makes no difference to any goal goes: actions that no state allows, states that no action
needs, names of kinds that are treated alike, builds that differ in their base alone.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from bridge.planning.actions import Action, Alloc, Effect, Free, Hold, Which
from bridge.planning.arena import HOLE, WALL, Arena
from bridge.planning.controls import Controls, controls_of
from bridge.planning.distances import ControlGraph
from bridge.planning.goals import asked_of
from bridge.planning.model import Covered, LaidOut, Placed, Start, Task
from bridge.planning.plain_heap import PlainHeaps
from bridge.planning.policy import End, Fit, HoleOrder
from bridge.planning.problem import (
    HOLE_KIND,
    NEVER,
    WALL_KIND,
    Build,
    Code,
    Heap,
    Move,
    Operation,
    Problem,
    Whose,
)
from bridge.planning.simulation import order_matters
from bridge.planning.sweeps import sweeping, sweeps_of
from bridge.planning.targets import Places, tests_of
from schemas.errors import PlanningError

__all__ = ["MAX_CELLS", "MAX_KINDS", "check", "compiled"]

MAX_KINDS = 62
"""Kinds that are treated differently: with hole and wall a mask of them has 64 bits."""
MAX_CELLS = 1 << 12
_WHOSE = {
    Which.NEWEST: Whose.NEWEST,
    Which.OLDEST: Whose.OLDEST,
    Which.LOWEST: Whose.LOWEST,
    Which.HIGHEST: Whose.HIGHEST,
    Which.HELD: Whose.HELD,
}


def compiled(task: Task, precise: int | None = None, whole: bool = False) -> Problem:
    """The problem of finding the cheapest plan with at most so many inputs right to the frame.

    With ``whole`` no move is taken for a sweep, so that the tests speak of all plans.  Raises
    PlanningError where the task passes a bound or names what is not there.
    """
    check(task)
    controls = controls_of(task, precise)
    controls = _with_sizes(task, controls)
    kinds = _kinds(task, [task.actions[number] for number in controls.actions])
    moves = tuple(
        Move(number, task.actions[number].frames, kinds.operations(task.actions[number]))
        for number in controls.actions
    )
    following = tuple(after for row in controls.following for after in row)
    graph = ControlGraph(moves, len(controls.following), following)
    in_order = any(order_matters(start.game.policy) for start in task.starts)
    problem = Problem(
        names=kinds.names,
        groups=_groups(moves, len(kinds.names), in_order),
        permanent=kinds.permanent(moves),
        follows_held=_follows_held(moves),
        moves=moves,
        controls=graph.controls,
        control=0,
        next_control=following,
        reaches=(0,) * graph.controls,
        sweeps=(NEVER,) * graph.controls,
        builds=(),
    )
    return _with_builds(task, kinds, graph, problem, whole)


def _with_builds(
    task: Task, kinds: _Kinds, graph: ControlGraph, problem: Problem, whole: bool
) -> Problem:
    builds = [_build(task, start, kinds, graph, problem) for start in task.starts]
    sweeps = () if whole else sweeping(problem, [PlainHeaps(problem, each) for each in builds])
    without = ControlGraph(*graph.parts, sweeps)
    tested = _tested(task, builds, kinds, without)
    heaps = [PlainHeaps(problem, build) for build in tested]
    if sweeps and sweeping(problem, heaps) != sweeps:
        # a block stays that a test asks for, and that nothing releases
        sweeps, without = (), graph
        tested = _tested(task, builds, kinds, graph)
    several: list[Build] = []
    for build in tested:
        for at, other in enumerate(several):
            if replace(other, names=build.names, base=build.base) == build:
                several[at] = replace(other, names=(*other.names, *build.names))
                break
        else:
            several.append(build)
    problem = replace(problem, builds=tuple(several), reaches=without.reaches()[0])
    if not sweeps:
        return problem
    return replace(problem, sweeps=sweeps_of(problem, heaps, sweeps, graph))


def _tested(task: Task, builds: Sequence[Build], kinds: _Kinds, graph: ControlGraph) -> list[Build]:
    """The builds with their tests, which speak of plans of the graph's moves."""
    tested = []
    for start, build in zip(task.starts, builds, strict=True):
        places = Places(
            base=build.base,
            unit=build.unit,
            units=build.units,
            strides=build.strides,
            least_rest=build.least_rest,
            policy=build.policy,
            numbers=kinds.numbers,
        )
        tests, keeps = tests_of(task, start, places, graph)
        tested.append(replace(build, tests=tests, keeps=keeps))
    return tested


@dataclass(frozen=True, slots=True)
class _Kinds:
    """Each kind's number; ``names`` are by number, the first of those that are alike."""

    numbers: Mapping[str, int]
    names: tuple[str, ...]

    def mask(self, kinds: Sequence[str]) -> int:
        mask = 0
        for kind in kinds:
            if self.numbers.get(kind, WALL_KIND) > WALL_KIND:
                mask |= 1 << self.numbers[kind]
        return mask

    def operations(self, action: Action) -> tuple[Operation, ...]:
        return tuple(op for effect in action.effects for op in self._operations(effect))

    def _operations(self, effect: Effect) -> list[Operation]:
        if isinstance(effect, Alloc):
            end = -1 if effect.end is None else int(effect.end is End.HIGH)
            return [Operation(Code.ALLOC, self.numbers[effect.kind], end)] * effect.count
        if isinstance(effect, Hold):
            return [Operation(Code.HOLD, self.mask(effect.kinds), _WHOSE[effect.which])]
        if not isinstance(effect, Free):
            return [Operation(Code.LET_GO)]
        mask = self.mask(effect.kinds)
        if effect.which is Which.ALL:
            return [Operation(Code.FREE, mask, _WHOSE[effect.order], 0)]
        count = 1 if effect.which is Which.HELD else effect.count
        return [Operation(Code.FREE, mask, _WHOSE[effect.which], count)] if count else []

    def permanent(self, moves: Sequence[Move]) -> int:
        """The kinds that no move releases or holds."""
        touched = 0
        for move in moves:
            for operation in move.operations:
                if operation.code in (Code.FREE, Code.HOLD):
                    touched |= operation.what
        return (1 << len(self.names)) - 1 & ~touched & ~(1 << HOLE_KIND | 1 << WALL_KIND)


def check(task: Task) -> None:
    """Refuse, by PlanningError, a task that cannot be planned at all."""
    if not task.starts:
        raise PlanningError("there is no heap to plan for")
    for number, goal in enumerate(task.goals, 1):
        for start in task.starts:
            if start.game.build not in asked_of(goal):
                raise PlanningError(f"goal {number} says nothing of build {start.game.build}")
    for start in task.starts:
        if len(start.arena.cells) > MAX_CELLS:
            raise PlanningError(
                f"the heap of {start.game.build} has {len(start.arena.cells)} blocks and holes; "
                f"planning takes at most {MAX_CELLS}"
            )
    for action in task.actions:
        if action.frames < 0 or action.precise < 0:
            raise PlanningError(f"action {action.name} takes less than no frames or inputs")
        for name in action.adds:
            if name not in task.states:
                raise PlanningError(f"action {action.name} adds to {name}, which is not known")
        for effect in action.effects:
            singles = isinstance(effect, Hold) and effect.which is Which.ALL
            orders = (
                isinstance(effect, Free)
                and effect.which is Which.ALL
                and effect.order in (Which.ALL, Which.HELD)
            )
            if singles or orders:
                raise PlanningError(f"action {action.name}: which blocks, or their order, is open")


def _with_sizes(task: Task, controls: Controls) -> Controls:
    """Without the actions that hand out a kind whose size some build does not know."""

    def known(action: Action) -> bool:
        return all(
            effect.kind in start.game.sizes
            for effect in action.effects
            if isinstance(effect, Alloc)
            for start in task.starts
        )

    kept = [at for at, number in enumerate(controls.actions) if known(task.actions[number])]
    return Controls(
        tuple(controls.actions[at] for at in kept),
        tuple(tuple(row[at] for at in kept) for row in controls.following),
    )


def _kinds(task: Task, actions: Sequence[Action]) -> _Kinds:
    """Number the kinds; those that no size, effect or goal tells apart share a number."""
    exact = any(isinstance(goal, LaidOut) for goal in task.goals)
    effects = [effect for action in actions for effect in action.effects]
    handed_out = {effect.kind for effect in effects if isinstance(effect, Alloc)}
    masks = {frozenset(effect.kinds) for effect in effects if isinstance(effect, Free | Hold)}
    ordered = sorted(masks, key=sorted)
    wanted = [goal.kind for goal in task.goals if isinstance(goal, Placed | Covered)]
    names = {cell.kind for start in task.starts for cell in start.arena.cells} | handed_out
    names = names.union(*masks) - {HOLE, WALL}
    numbers: dict[str, int] = {HOLE: HOLE_KIND, WALL: WALL_KIND}
    firsts: list[str] = [HOLE, WALL]
    alike: dict[object, int] = {}
    for name in sorted(names):
        strides = [
            start.game.policy.stride(start.game.sizes[name]) if name in handed_out else 0
            for start in task.starts
        ]
        told_apart = (
            name if exact else "",
            tuple(strides),
            tuple(name in mask for mask in ordered),
            tuple(name == kind for kind in wanted),
        )
        if told_apart not in alike:
            alike[told_apart] = len(firsts)
            firsts.append(name)
        numbers[name] = alike[told_apart]
    if len(firsts) > MAX_KINDS + 2:
        raise PlanningError(
            f"{len(firsts) - 2} kinds of blocks are treated differently; "
            f"planning takes at most {MAX_KINDS}"
        )
    return _Kinds(numbers, tuple(firsts))


def _groups(moves: Sequence[Move], kinds: int, in_order: bool) -> tuple[int, ...]:
    """Each kind's age group: kinds are of one where some operation compares their ages."""
    group = [-1] * kinds
    for move in moves:
        for operation in move.operations:
            if operation.code not in (Code.FREE, Code.HOLD):
                continue
            if operation.how not in (Whose.NEWEST, Whose.OLDEST):
                continue
            if operation.code == Code.FREE and not operation.count and not in_order:
                continue
            members = [kind for kind in range(kinds) if operation.what >> kind & 1]
            joined = {group[kind] for kind in members if group[kind] >= 0}
            new = min(members, default=-1)
            group = [
                new if kind in members or old in joined else old for kind, old in enumerate(group)
            ]
    return tuple(group)


def _follows_held(moves: Sequence[Move]) -> bool:
    return any(
        operation.code == Code.LET_GO
        or (operation.code in (Code.FREE, Code.HOLD) and operation.how == Whose.HELD)
        for move in moves
        for operation in move.operations
    )


def _build(task: Task, start: Start, kinds: _Kinds, graph: ControlGraph, problem: Problem) -> Build:
    """The build without its tests."""
    policy, arena, sizes = start.game.policy, start.arena, start.game.sizes
    handed_out = {
        operation.what
        for move in graph.moves
        for operation in move.operations
        if operation.code == Code.ALLOC
    }
    strides = [
        policy.stride(sizes[name]) if number in handed_out else 0
        for number, name in enumerate(kinds.names)
    ]
    for number in handed_out:
        if strides[number] <= 0:
            raise PlanningError(f"a block of {kinds.names[number]} takes no bytes")
    marks = [cell.start - arena.low for cell in arena.cells]
    marks += [at - arena.low for at in (arena.rover, arena.held) if at is not None]
    unit = math.gcd(arena.high - arena.low, *marks, *strides) or 1
    units = (arena.high - arena.low) // unit
    least_rest = max(1, -(-policy.least_rest // unit))
    small = [strides[number] // unit for number in handed_out]
    recent = policy.order is HoleOrder.RECENT and policy.fit is not Fit.NEXT
    patterns = [goal.patterns[start.game.build] for goal in task.goals if isinstance(goal, LaidOut)]

    def pattern(arena: Arena, policy: object) -> bool:
        return all(each.matches(arena, start.game.policy) for each in patterns)

    return Build(
        names=(start.game.build,),
        policy=policy,
        base=arena.low,
        unit=unit,
        units=units,
        strides=tuple(stride // unit for stride in strides),
        least_rest=least_rest,
        least=min(small, default=units + 1),
        recent=recent,
        in_order=order_matters(policy),
        keeps=(),
        start=_heap(start, unit, kinds, [0 if recent else -1, -1, *problem.groups[2:]], problem),
        tests=(),
        pattern=pattern if patterns else None,
    )


def _heap(start: Start, unit: int, kinds: _Kinds, groups: Sequence[int], problem: Problem) -> Heap:
    """The heap to begin with; ages are told by group, those of holes among each other."""
    arena = start.arena
    numbers = [kinds.numbers[cell.kind] for cell in arena.cells]
    known = [-1 if cell.age is None else cell.age for cell in arena.cells]
    of_group: dict[tuple[bool, int], set[int]] = {}
    for number, age in zip(numbers, known, strict=True):
        of_group.setdefault((number == HOLE_KIND, groups[number]), set()).add(age)
    ages = [
        sorted(of_group[number == HOLE_KIND, groups[number]]).index(age)
        if groups[number] >= 0
        else 0
        for number, age in zip(numbers, known, strict=True)
    ]

    def units(address: int | None) -> int:
        return -1 if address is None else (address - arena.low) // unit

    return Heap(
        cells=tuple(
            (cell.stride // unit, number, age)
            for cell, number, age in zip(arena.cells, numbers, ages, strict=True)
        ),
        rover=units(arena.rover) if start.game.policy.fit is Fit.NEXT else -1,
        held=units(arena.held) if problem.follows_held else -1,
    )
