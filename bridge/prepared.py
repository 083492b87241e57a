"""A bridge file made ready for each build: checked watches, targets and sampling counters."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from bridge.expressions import nodes
from bridge.expressions.compiling import check
from bridge.expressions.functions.function import Function
from bridge.expressions.functions.table import FUNCTIONS
from bridge.expressions.program import Program, Slot
from bridge.memory.address_map import MemoryMap, Region
from bridge.memory.counter import Counter
from bridge.readings.reading import Watch
from bridge.values import target
from bridge.values.target import Target
from bridge.values.value_type import INTEGER, Kind, ValueType
from schemas.bridge_file import BridgeFile, TargetTable, WatchTable
from schemas.compiler import BuildLayout, Schema
from schemas.errors import ExpressionError, FileError
from schemas.layout import BitField, Scalar
from schemas.loader import Bridge
from schemas.toml_lines import Key

__all__ = [
    "PLAN",
    "PreparedBuild",
    "memory_map",
    "practice_expressions",
    "prepare",
    "prepare_build",
    "with_heap",
]


PLAN = "plan.place"
"""What the slot is called that says how many steps of the plan are done."""


@dataclass(frozen=True, slots=True)
class PreparedBuild:
    """Everything of a bridge for one build."""

    layout: BuildLayout
    program: Program
    watches: tuple[Watch, ...]
    frame: Counter | None
    guard: tuple[Counter, Counter] | None
    """The counters that began and ended a frame's work."""
    functions: Mapping[str, Function] = field(default_factory=lambda: FUNCTIONS, repr=False)
    """What expressions can call, those that are checked later as well."""

    @property
    def counter(self) -> Counter | None:
        """What numbers the game's frames: the frame counter, else the guard's that began one."""
        return self.frame or (self.guard[0] if self.guard else None)

    @property
    def tallies(self) -> Mapping[str, ValueType]:
        """The calls of tally in the watches, steps and attempts, with the type of their values."""
        return {
            slot.text: slot.type
            for slot in self.program.slots
            if slot.over_frames is not None and slot.over_frames.function == "tally"
        }


def memory_map(schema: Schema) -> MemoryMap:
    """The guest's memory as the schema describes it."""
    regions = schema.file.memory.regions
    return MemoryMap([Region(r.name, r.start, r.size, r.mirrors) for r in regions])


def prepare(
    bridge: Bridge, functions: Mapping[str, Function] = FUNCTIONS
) -> dict[str, PreparedBuild]:
    """A bridge ready for each of its builds, or only for the one that the file names.

    *functions* are all that expressions can call.  Raises BridgeFileError with the line of
    the first fault.
    """
    builds = bridge.schema.builds
    names = list(builds) if bridge.file.build == "auto" else [bridge.file.build]
    return {name: prepare_build(bridge, builds[name], functions) for name in names}


def prepare_build(
    bridge: Bridge, layout: BuildLayout, functions: Mapping[str, Function] = FUNCTIONS
) -> PreparedBuild:
    """A bridge ready for one build.  Raises BridgeFileError."""
    tables = bridge.file.watches
    program = _program(bridge, layout, functions)
    watches = tuple(
        _watch(bridge, index, table, program.slots[program.watches[table.name]].type)
        for index, table in enumerate(tables)
    )
    sampling = bridge.file.sampling
    frame = guard = None
    if sampling.frame:
        frame = _counter(bridge, layout, ("sampling", "frame"), sampling.frame)
    if sampling.guard is not None:
        path = ("sampling", "guard")
        guard = (
            _counter(bridge, layout, (*path, "began"), sampling.guard.began),
            _counter(bridge, layout, (*path, "ended"), sampling.guard.ended),
        )
    return PreparedBuild(layout, program, watches, frame, guard, functions)


def _program(bridge: Bridge, layout: BuildLayout, functions: Mapping[str, Function]) -> Program:
    tables = bridge.file.watches
    followed = _plan_expressions(bridge.file)
    hidden = practice_expressions(bridge.file)
    try:
        without_heap_warnings = {
            *(table.name for table in tables if table.heap == "ignore"),
            *(hidden | followed),
        }
        expressions = {table.name: table.expr for table in tables} | hidden | followed
        program = check(layout, expressions, without_heap_warnings, functions)
    except ExpressionError as fault:
        if fault.watch in followed:
            build = f" (build {layout.name})" if len(bridge.schema.builds) > 1 else ""
            raise bridge.text.error(("plan", "file"), f"{fault.detail}{build}") from fault
        if fault.watch in hidden:
            raise _practice_error(bridge, layout, fault.watch, fault) from fault
        index = next(i for i, table in enumerate(tables) if table.name == fault.watch)
        caret = str(fault).partition("\n")[2]
        build = f" (build {layout.name})" if len(bridge.schema.builds) > 1 else ""
        message = f"watch {fault.watch}{build}: {fault.detail}\n{caret}"
        raise bridge.text.error(("watches", index, "expr"), message) from fault
    for name, text in hidden.items():
        if program.slots[program.watches[name]].type.kind is Kind.TEXT:
            wrong = ExpressionError("is a text, expected true or false", expression=text)
            raise _practice_error(bridge, layout, name, wrong)
    return program


def with_heap(prepared: PreparedBuild) -> PreparedBuild:
    """The same build, whose frames have the heap whether or not a watch asks for it.

    Raises SchemaError where the schema describes none.
    """
    if not prepared.program.heaps:
        raise prepared.layout.error((), "describes no heap; add [heap] with block, first, next, …")
    slots = []
    for heap in prepared.program.heaps:
        name = heap.types.name
        text = f'blocks("{name}")' if name else "blocks()"
        number = nodes.Length(text, INTEGER, nodes.AllBlocks(text, nodes.BLOCK, name))
        slots.append(Slot("", text, INTEGER, number, heap_checks=False))
    return replace(
        prepared, program=replace(prepared.program, slots=(*prepared.program.slots, *slots))
    )


def _plan_expressions(file: BridgeFile) -> dict[str, str]:
    """Where a plan that is followed stands, by a name that no watch can have."""
    return {} if file.plan is None else {PLAN: f'plan("{file.plan.called}")'}


def practice_expressions(file: BridgeFile) -> dict[str, str]:
    """The expressions of steps and attempts, by names that no watch can have.

    ``steps.N.done``, ``steps.N.begin``, ``steps.N.fail``, ``steps.N.after`` of its window,
    ``attempts.begins``, ``attempts.succeeds`` and ``attempts.given_up``; those that are not given
    are left out.
    """
    found = {
        f"steps.{number}.{name}": str(getattr(step, name))
        for number, step in enumerate(file.steps)
        for name in ("begin", "done", "fail")
    }
    for number, step in enumerate(file.steps):
        found[f"steps.{number}.after"] = step.window.after if step.window is not None else ""
    for name in ("begins", "succeeds", "given_up"):
        found[f"attempts.{name}"] = getattr(file.attempts, name, "")
    return {name: text for name, text in found.items() if text}


def _practice_error(
    bridge: Bridge, layout: BuildLayout, name: str, fault: ExpressionError
) -> FileError:
    caret = str(fault).partition("\n")[2]
    build = f" (build {layout.name})" if len(bridge.schema.builds) > 1 else ""
    path: tuple[Key, ...] = tuple(int(p) if p.isdigit() else p for p in name.split("."))
    if path[-1] == "after":
        path = (*path[:-1], "window", "after")
    what = f"step {bridge.file.steps[int(path[1])].name}" if path[0] == "steps" else "attempts"
    return bridge.text.error(path, f"{what}{build}: {fault.detail}\n{caret}")


def _watch(bridge: Bridge, index: int, table: WatchTable, kind: ValueType) -> Watch:
    path: tuple[Key, ...] = ("watches", index)
    fault = _show_fault(table.show, kind)
    if fault:
        raise bridge.text.error((*path, "show"), f"watch {table.name}: {fault}")
    aim: Target | None = None
    if table.target is not None:
        try:
            aim = _target(table.target, kind)
        except ValueError as fault:
            message = f"watch {table.name}: {fault}"
            raise bridge.text.error((*path, "target"), message) from None
    return Watch(table.name, table.label, table.expr, kind, table.show, aim, table.group)


def _show_fault(show: str, kind: ValueType) -> str:
    if not show or show == "decimal":
        return ""
    if kind.kind in (Kind.TEXT, Kind.BOOLEAN):
        return f"a {kind.name} cannot be shown as {show}"
    if show == "name" and not (kind.members or kind.flags or kind.layout):
        return f"{kind.name} has no names to show"
    if show == "binary" and kind.kind is Kind.FLOAT and not kind.bits:
        return "a computed float has no stored bits to show"
    return ""


def _target(table: TargetTable, kind: ValueType) -> Target:
    if table.equals is not None:
        return target.equals(table.equals, kind)
    if table.between is not None:
        return target.between(*table.between, kind)
    assert table.near is not None
    assert table.within is not None
    return target.near(table.near, table.within, kind)


def _counter(bridge: Bridge, layout: BuildLayout, path: tuple[Key, ...], text: str) -> Counter:
    try:
        program = check(layout, {"counter": text})
    except ExpressionError as fault:
        raise bridge.text.error(path, fault.detail) from fault
    slot = program.slots[program.watches["counter"]]
    number, most = slot.number, None
    if isinstance(number, nodes.Arithmetic) and number.op == "&":
        # the lowest bits of a word: a game that counts only so far, or keeps something above them
        parts = number.left, number.right
        masks = [part.value for part in parts if isinstance(part, nodes.Literal)]
        number = next((part for part in parts if isinstance(part, nodes.Read)), None)
        most = masks[0] if masks and isinstance(masks[0], int) and masks[0] > 0 else -1
        if most & (most + 1):
            raise bridge.text.error(
                path, f"{text}: the mask of a counter must be its lowest bits, such as 0xFFFFFF"
            )
    place: nodes.Place | None = None
    bits = lowest = 0
    if isinstance(number, nodes.Read) and isinstance(number.leaf, Scalar | BitField):
        place = number.place
        kind = number.type
        if isinstance(number.leaf, BitField):
            bits, lowest = number.leaf.width, number.leaf.lowest
    offset = 0
    while isinstance(place, nodes.Offset):
        offset, place = offset + place.offset, place.base
    if not isinstance(place, nodes.Fixed) or kind.kind is not Kind.INTEGER or kind.signed:
        raise bridge.text.error(
            path, f"{text} is not an unsigned integer at a fixed address, which a counter must be"
        )
    assert isinstance(number, nodes.Read)
    size = number.leaf.size
    if most is not None and most.bit_length() < (bits or 8 * size):
        bits = most.bit_length()
    return Counter(text, place.address + offset, size, layout.order == ">", bits, lowest)
