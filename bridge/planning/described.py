"""What a schema says of planning, for one build: its game, actions, and what to read in a frame."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

from bridge.expressions.compiling import check
from bridge.planning.actions import Action, Alloc, Effect, Free, Hold, Interval, LetGo, Which
from bridge.planning.model import GameModel
from bridge.planning.policy import End, Fit, HoleOrder, Merge, Policy, WhenFull
from bridge.prepared import PreparedBuild, with_heap
from bridge.readings.reading import Watch
from bridge.values.value_type import Kind
from schemas.action_table import ActionTable, EffectTable, IntervalTable
from schemas.allocator_types import AllocatorTypes
from schemas.compiler import BuildLayout
from schemas.errors import ExpressionError
from schemas.toml_file import nearest
from schemas.toml_lines import Key

__all__ = ["FROM", "HELD", "ROVER", "TO", "Described", "described", "planning_build"]

FROM, TO = "allocator.arena.from", "allocator.arena.to"
ROVER, HELD = "allocator.rover", "allocator.held"
"""What the readings of an allocator's expressions are called; a state's is ``state.NAME``."""


@dataclass(frozen=True, slots=True)
class Described:
    """What planning knows of one build without its memory.

    ``states`` are the names of states, each a reading ``state.NAME``.  ``expressions`` is the name
    of a reading → its expression; ``planning_build`` has frames with all of these.  ``bounds`` is
    where the arena begins and ends, None where that stands in the game's memory or is the heap's.
    ``heap`` is the name of the heap that it is all about, empty for ``[heap]``: of the actions'
    effects only those on that one are here.
    """

    game: GameModel
    actions: tuple[Action, ...]
    states: tuple[str, ...]
    expressions: Mapping[str, str]
    bounds: tuple[int, int] | None
    heap: str = ""


def described(prepared: PreparedBuild, heap: str = "") -> Described:
    """What the schema says of a build's allocations in one heap.

    Raises SchemaError where it says nothing, or where an expression is wrong.
    """
    layout = prepared.layout
    allocator = layout.allocators.get(heap)
    if allocator is None:
        raise layout.error(
            (),
            f"describes no allocator{_which_heap(layout, heap)}, as the manual's page on "
            "actions shows",
        )
    table = allocator.table
    keys: dict[str, tuple[tuple[Key, ...], str]] = {
        f"state.{name}": (("state", name), text) for name, text in layout.state.items()
    }
    path = allocator.path
    if table.arena is not None:
        keys[FROM] = ((*path, "arena", "from"), table.arena.from_)
        keys[TO] = ((*path, "arena", "to"), table.arena.to)
    for name, text in ((ROVER, table.rover), (HELD, table.held)):
        if text is not None:
            keys[name] = ((*path, name.rpartition(".")[2]), text)
    _check(prepared, keys)
    expressions = {name: text for name, (_, text) in keys.items()}
    return Described(
        GameModel(layout.name, _policy(allocator), allocator.sizes),
        tuple(_action(name, action, heap) for name, action in layout.actions.items()),
        tuple(layout.state),
        expressions,
        _bounds(expressions),
        heap,
    )


def _which_heap(layout: BuildLayout, heap: str) -> str:
    """What to add where there is no allocator of a heap, or which heaps have one."""
    named = [name for name in layout.allocators if name]
    if not heap:
        return f" of [heap]{nearest('', named)}; add [allocator]"
    if layout.heap_named(heap) is None:
        return f" of a heap {heap}{nearest(heap, named)}; add [heaps.{heap}.allocator]"
    return f" of the heap {heap}; add [heaps.{heap}.allocator]"


def planning_build(prepared: PreparedBuild, heap: str = "") -> PreparedBuild:
    """The build with frames that have the heap and the readings that planning needs, no others.

    Raises SchemaError.
    """
    expressions = described(prepared, heap).expressions
    program = check(prepared.layout, expressions, tuple(expressions), prepared.functions)
    watches = tuple(
        Watch(name, "", text, program.slots[program.watches[name]].type)
        for name, text in expressions.items()
    )
    return with_heap(replace(prepared, program=program, watches=watches))


def _check(prepared: PreparedBuild, keys: Mapping[str, tuple[tuple[Key, ...], str]]) -> None:
    """Refuse an expression that is no whole number, with its place in the schema."""
    layout = prepared.layout
    for name, (path, text) in keys.items():
        try:
            program = check(layout, {name: text}, (name,), prepared.functions)
        except ExpressionError as fault:
            caret = str(fault).partition("\n")[2]
            message = f"{fault.detail} (build {layout.name})\n{caret}"
            raise layout.error(path, message) from fault
        slot = program.slots[program.watches[name]]
        if slot.type.kind not in (Kind.INTEGER, Kind.BOOLEAN):
            raise layout.error(path, f"{text} is a {slot.type.name}, expected a whole number")
        if any(each.over_frames is not None for each in program.slots):
            raise layout.error(
                path, f"{text} needs more than one frame; planning starts from any single one"
            )


def _bounds(expressions: Mapping[str, str]) -> tuple[int, int] | None:
    try:
        return int(expressions[FROM], 0), int(expressions[TO], 0)
    except (KeyError, ValueError):
        return None


def _policy(allocator: AllocatorTypes) -> Policy:
    table = allocator.table
    return Policy(
        Fit(table.fit),
        HoleOrder(table.order),
        End(table.tried_from),
        End(table.carved_from),
        allocator.header,
        allocator.alignment,
        allocator.least_rest,
        Merge(table.merge),
        table.keeps_last,
        WhenFull(table.when_full),
    )


def _action(name: str, table: ActionTable, heap: str) -> Action:
    return Action(
        name,
        table.frames,
        table.precise,
        {state: tuple(map(_interval, need)) for state, need in table.needs.items()},
        dict(table.sets),
        dict(table.adds),
        table.limit,
        tuple(_effect(effect) for effect in table.effects if effect.heap == heap),
        table.doc,
    )


def _interval(table: IntervalTable) -> Interval:
    return Interval(table.from_, table.to)


def _effect(table: EffectTable) -> Effect:
    if table.alloc is not None:
        return Alloc(table.alloc, table.count or 1, None if table.end is None else End(table.end))
    if table.which is None:
        return LetGo()
    which = Which(table.which)
    if table.hold is not None:
        return Hold(table.hold, which)
    assert table.free is not None
    return Free(table.free, which, table.count or 1, Which(table.order or Which.LOWEST))
