"""Goals drawn at random among what a played game can reach."""

from __future__ import annotations

import random
from collections.abc import Mapping, Sequence
from dataclasses import replace

from bridge.planning.actions import Action
from bridge.planning.arena import Arena, Cell
from bridge.planning.model import Covered, Freed, Goal, Placed, Task, Uncovered
from bridge.planning.simulation import Moment, NotPossible, begin, perform
from tests.guest.played.guest import PlayedGuest, Standing
from tests.guest.played.planned import Layout, task_of


def walked(
    task: Task, drawn: random.Random, length: int, seldom: int = 8
) -> list[tuple[Action, Moment]]:
    """Actions drawn at random that can be done one after another, and the moment after each.

    Doors are so many times as seldom: they release everything, and what led there counts no more.
    """
    moment, done = begin(task), list[tuple[Action, Moment]]()
    weights = [1 if action.sets else seldom for action in task.actions]
    while len(done) < length:
        (action,) = drawn.choices(task.actions, weights)
        try:
            moment = perform(action, moment, task)
        except NotPossible:
            continue
        done.append((action, moment))
    return done


def drawn_goals(task: Task, drawn: random.Random, length: int) -> tuple[Goal, ...]:
    """One goal or two, which hold after a walk of so many actions and not yet now.

    What is meant is a block that the walk's last action has brought.  Which it is on another build
    its age tells: all builds hand out in the same order.
    """
    while True:
        steps = walked(task, drawn, length)
        arenas = steps[-1][1].arenas
        had = {(cell.start, cell.kind) for start in task.starts for cell in start.arena.cells}
        for _, moment in steps[:-1]:
            had |= {(cell.start, cell.kind) for a in moment.arenas.values() for cell in a.cells}
        by_age = zip(*(_used_by_age(arena) for arena in arenas.values()), strict=True)
        brought = [
            dict(zip(arenas, cells, strict=True))
            for cells in by_age
            if all((cell.start, cell.kind) not in had for cell in cells)
        ]
        if brought:
            break
    wanted = drawn.choice(brought)
    goals: list[Goal] = [_about(wanted, task, drawn)]
    if drawn.random() < 0.3:
        goals.append(_besides(arenas, wanted, task, drawn))
    return tuple(goals)


def _about(wanted: Mapping[str, Cell], task: Task, drawn: random.Random) -> Goal:
    payloads = {start.game.build: start.game.policy.header for start in task.starts}
    starts = {build: cell.start + payloads[build] for build, cell in wanted.items()}
    kind = next(iter(wanted.values())).kind
    if drawn.random() < 0.25:
        return Covered(kind, {build: start + 0x60 for build, start in starts.items()})
    return Placed(kind, {build: (start, start) for build, start in starts.items()})


def _besides(
    arenas: Mapping[str, Arena], wanted: Mapping[str, Cell], task: Task, drawn: random.Random
) -> Goal:
    """What lies right before or behind it as well: another block, a hole, or no block."""
    way = drawn.choice((-1, 1))
    places = dict[str, int]()
    kinds = set[str]()
    for build, arena in arenas.items():
        number = arena.cells.index(wanted[build]) + way
        if not 0 <= number < len(arena.cells):
            return Covered(None, {b: cell.start + 0x40 for b, cell in wanted.items()})
        kinds.add(arena.cells[number].kind)
        places[build] = arena.cells[number].start + 0x10
    if kinds == {"free"}:
        return drawn.choice((Freed, Uncovered))(places)
    if "free" in kinds:
        return Covered(None, {b: cell.start + 0x40 for b, cell in wanted.items()})
    return Covered(None, places)


def _used_by_age(arena: Arena) -> list[Cell]:
    return sorted((cell for cell in arena.cells if cell.used), key=lambda cell: cell.age or 0)


def holds(goal: Goal, guest: PlayedGuest) -> bool:
    """Whether the guest's own heap is as wanted."""
    build, heap = guest.elf.stem, guest.heap()
    if isinstance(goal, Placed):
        low, high = goal.spans[build]
        return any(b.used and b.owner == goal.kind and low <= b.start <= high for b in heap.blocks)
    assert isinstance(goal, Covered | Freed | Uncovered)
    address = goal.addresses[build]
    block = heap.holding(address)
    if isinstance(goal, Covered):
        kinds = {block.owner} if block is not None and block.used else set[str]()
        return bool(kinds) if goal.kind is None else goal.kind in kinds
    block = block or heap.header_holding(address)
    return block is not None and not block.used


def after_a_walk(
    guests: Sequence[PlayedGuest], allocator: str | None, drawn: random.Random
) -> Task:
    """The games where some actions have led them all, with nothing wanted yet."""
    for guest in guests:
        guest.begin()
    tasks = [task_of(guest, allocator) for guest in guests]
    task = replace(tasks[0], starts=tuple(start for each in tasks for start in each.starts))
    moment = begin(task)
    for action, moment in walked(task, drawn, drawn.randrange(12)):  # noqa: B007
        assert {guest.perform(action.name) for guest in guests} == {Standing.DONE}
    for guest in guests:
        assert Layout.read(guest) == Layout.planned(moment.arenas[guest.elf.stem])
    starts = [replace(start, arena=moment.arenas[start.game.build]) for start in task.starts]
    return replace(task, starts=tuple(starts), states=moment.states)
