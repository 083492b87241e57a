"""The schema's tables of actions as planning's own words, and a played guest's heap as its cells.

Read here by hand and not by the schema's compiler, so that either can be held against the other.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

from bridge.planning.actions import Action, Alloc, Effect, Free, Hold, Interval, LetGo, Which
from bridge.planning.arena import HOLE, Arena, Cell
from bridge.planning.model import GameModel, Start, Task
from bridge.planning.policy import End, Fit, HoleOrder, Merge, Policy
from tests.benchmarks.live_heap import SCHEMA
from tests.guest.played.guest import PlayedGuest

_NEXT_AT = {"first-print": 0x140, "second-print": 0x140, "export": 0x148}
_SIZES = {"lantern": 0x1B8, "crate": 0x1C8, "gull": 0x1C8, "buoy": 0x1B0, "mist_puff": 0x230}
_LONGER_IN_EXPORT = 8

OWN = Policy(header=0x10, alignment=0x10, least_rest=0x20)
"""The game's own allocator."""
ALLOCATORS: Mapping[str, Policy] = {
    "next_fit": replace(OWN, fit=Fit.NEXT),
    "recent_order": replace(OWN, order=HoleOrder.RECENT),
    "joined_when_full": replace(OWN, merge=Merge.WHEN_FULL),
    "best_fit": replace(OWN, fit=Fit.BEST),
    "from_the_end": replace(OWN, carved_from=End.HIGH),
    "two_ends": OWN,
}
"""File of played/allocators/ → its rules; with two_ends mist puffs are asked for from the end."""


def model(build: str, allocator: str | None = None) -> GameModel:
    """What planning is to know of a build."""
    longer = _LONGER_IN_EXPORT if build == "export" else 0
    sizes = {kind: size + longer for kind, size in _SIZES.items()}
    return GameModel(build, ALLOCATORS[allocator] if allocator else OWN, sizes)


def actions(allocator: str | None = None) -> dict[str, Action]:
    """Name → action."""
    tables = tomllib.loads(SCHEMA.read_text("utf-8"))["actions"]
    mist = End.HIGH if allocator == "two_ends" else None
    return {name: _action(name, table, mist) for name, table in tables.items()}


def _action(name: str, table: Mapping[str, Any], mist: End | None) -> Action:
    return Action(
        name,
        frames=table["frames"],
        precise=table.get("precise", 0),
        needs={state: _intervals(needed) for state, needed in table.get("needs", {}).items()},
        sets=table.get("sets", {}),
        limit=table.get("limit"),
        effects=tuple(_effect(effect, mist) for effect in table["effects"]),
    )


def _intervals(needed: Any) -> tuple[Interval, ...]:
    if isinstance(needed, Mapping):
        return (Interval(needed.get("from"), needed.get("to")),)
    return tuple(
        Interval(each, each) for each in (needed if isinstance(needed, list) else [needed])
    )


def _kinds(named: str | list[str]) -> tuple[str, ...]:
    return (named,) if isinstance(named, str) else tuple(named)


def _effect(effect: Mapping[str, Any], mist: End | None) -> Effect:
    if "alloc" in effect:
        kind = effect["alloc"]
        return Alloc(kind, effect.get("count", 1), mist if kind == "mist_puff" else None)
    if "free" in effect:
        order = Which(effect.get("order", "lowest"))
        return Free(_kinds(effect["free"]), Which(effect["which"]), effect.get("count", 1), order)
    if "hold" in effect:
        return Hold(_kinds(effect["hold"]), Which(effect["which"]))
    return LetGo()


@dataclass(frozen=True)
class Layout:
    """Cells without their ages: start with the header, bytes with the header, owner."""

    rows: tuple[tuple[int, int, str], ...]

    @classmethod
    def planned(cls, arena: Arena) -> Layout:
        """Of cells."""
        return cls(tuple((cell.start, cell.stride, cell.kind) for cell in arena.cells))

    @classmethod
    def read(cls, guest: PlayedGuest) -> Layout:
        """Of the guest's heap as it is now, which lowhalf and the game itself walk alike."""
        heap = guest.heap()
        header = heap.header_size
        return cls(tuple((b.header, b.size + header, b.owner) for b in heap.blocks))


def arena(guest: PlayedGuest, allocator: str | None = None) -> Arena:
    """A guest's heap as cells; ages are by the game's own lists, in which the newest is first.

    There must be one free block alone, or its allocator must not ask how old they are.
    """
    newest_first: list[int] = []
    for head in ("mist_head", "actor_head"):
        at = guest.read_symbol_u32(head)
        while at:
            newest_first.append(at)
            at = guest.read_u32(at + _NEXT_AT[guest.elf.stem])
    ages = {address: age for age, address in enumerate(reversed(newest_first), 1)}
    cells = tuple(
        Cell(start, stride, owner, 0 if owner == HOLE else ages[start + OWN.header])
        for start, stride, owner in Layout.read(guest).rows
    )
    rover = None
    if allocator == "next_fit":
        rover = guest.rover or cells[-1].end
    return Arena(cells, rover)


def task_of(guest: PlayedGuest, allocator: str | None) -> Task:
    """The game as it is now, with nothing wanted."""
    start = Start(model(guest.elf.stem, allocator), arena(guest, allocator))
    return Task((start,), {"room": guest.room}, tuple(actions(allocator).values()), ())
