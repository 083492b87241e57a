"""How a value comes about: every address in it as a sum, every pointer with what it holds.

An explanation is a plan like any other, whose watches are the steps, so that one frame of any
source gives all of them at once.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, fields, replace

from bridge import nodes
from bridge.checker import Program, Slot, check
from bridge.plan import Plan
from bridge.readings import Watch
from bridge.values import Kind, ValueType
from schemas.layout import name_of

RESULT = "result"


@dataclass(frozen=True, slots=True)
class Step:
    """One line of an explanation; its reading has the same place in the frame.

    ``kind`` is ``symbol``, ``computed`` (an address that is no symbol's), ``add`` (``offset``
    bytes are added), ``index`` (a computed count of ``offset`` bytes each is added), ``follow``
    (the value of a pointer becomes the address), ``value`` (what is stored), ``part`` (a half or
    a byte of it) or ``result``.  ``label`` is what the step is called and ``type`` the type that
    it leads to.
    """

    kind: str
    label: str
    type: str
    offset: int = 0


def explain(
    plan: Plan, watches: Mapping[str, str], text: str, most: int | None = None
) -> tuple[Plan, list[Step]]:
    """The plan and the steps that explain a watch's name or an expression.

    Each step is evaluated from its symbol on, so those of a long path are many more reads than the
    path; where there are more than *most*, the steps of later accesses are left out.

    Raises ExpressionError.
    """
    name = text if text in watches else ""
    program = check(plan.layout, {**watches, name: watches.get(text, text)})
    slots = list(program.slots)
    steps: list[Step] = []
    shown: list[Watch] = []
    places: dict[str, int] = {}

    def add(step: Step, number: nodes.Number) -> None:
        watch = f"step{len(steps)}"
        # the step that follows a pointer tells of it; those that come after need not
        checked = step.kind == "follow"
        slots.append(Slot(watch, number.text, number.type, number, heap_checks=checked))
        places[watch] = len(slots) - 1
        steps.append(step)
        shown.append(Watch(watch, step.label, number.text, number.type))

    address = ValueType(Kind.INTEGER, plan.layout.pointer_size * 8, address=True, name="address")
    seen: set[str] = set()
    taken = 0
    for read in _reads(program, [program.slots[program.watches[name]]], set()):
        if read.text in seen or nodes.in_a_list(read):
            continue
        seen.add(read.text)
        way = list(_place_steps(read.place, address))
        taken += (len(way) + 2) ** 2 // 2
        if most is not None and taken > most:
            break
        for step, number in way:
            add(step, number)
        if isinstance(read, nodes.Read | nodes.FlagRead):
            add(Step("value", read.text, read.type.name), read)
        elif isinstance(read, nodes.Stored):
            leaf = read.leaf
            kind = ValueType(Kind.INTEGER, leaf.size * 8, name=name_of(leaf))
            whole = nodes.Stored(read.place.text, kind, read.place, leaf, 0, leaf.size)
            add(Step("value", read.place.text, name_of(leaf)), whole)
            add(Step("part", read.text, read.type.name, read.offset), read)
    final = program.watches[name]
    steps.append(Step(RESULT, text, program.slots[final].type.name))
    original = next((w for w in plan.watches if w.name == text), None)
    shown.append(
        replace(original, name=RESULT)
        if original
        else Watch(RESULT, text, text, program.slots[final].type)
    )
    places[RESULT] = final
    program = replace(program, slots=tuple(slots), watches=places)
    return replace(plan, program=program, watches=tuple(shown)), steps


_Access = nodes.Read | nodes.Stored | nodes.FlagRead | nodes.AddressOf


def _computed(place: nodes.Place) -> Iterator[nodes.Expr]:
    """The numbers and lists that a place's address is computed from."""
    while True:
        if isinstance(place, nodes.Offset):
            place = place.base
        elif isinstance(place, nodes.Indexed):
            yield place.index
            place = place.base
        elif isinstance(place, nodes.Followed):
            place = place.pointer
        else:
            if isinstance(place, nodes.AtAddress):
                yield place.address
            return


def _reads(program: Program, first: list[object], seen: set[int]) -> Iterator[_Access]:
    """Every access in *first* and in the slots that it uses, in the order of the text."""
    pending = first
    while pending:
        node = pending.pop(0)
        if isinstance(node, Slot):
            over = node.over_frames.arguments if node.over_frames else ()
            pending = [node.number, *(program.slots[number] for number in over), *pending]
        elif isinstance(node, nodes.SlotValue):
            if node.slot not in seen:
                seen.add(node.slot)
                pending.insert(0, program.slots[node.slot])
        elif isinstance(node, _Access):
            # what an address is computed from comes first
            yield from _reads(program, list(_computed(node.place)), seen)
            yield node
        elif isinstance(node, tuple):
            pending = [*node, *pending]
        elif isinstance(node, nodes.Expr):
            pending = [*(getattr(node, f.name) for f in fields(node)), *pending]


def _place_steps(place: nodes.Place, address: ValueType) -> Iterator[tuple[Step, nodes.Number]]:
    here = nodes.AddressOf(place.text, address, place)
    kind = name_of(place.node)
    if isinstance(place, nodes.Offset):
        yield from _place_steps(place.base, address)
        label = place.text.removeprefix(place.base.text)
        yield Step("add", label, kind, place.offset), here
    elif isinstance(place, nodes.Indexed):
        yield from _place_steps(place.base, address)
        label = place.text.removeprefix(place.base.text)
        yield Step("index", label, kind, place.stride), here
    elif isinstance(place, nodes.Followed):
        yield from _place_steps(place.pointer, address)
        yield Step("follow", place.text, kind), here
    elif isinstance(place, nodes.Fixed):
        yield Step("symbol", place.text, kind), here
    else:
        yield Step("computed", place.text, kind), here


def address_form(number: nodes.Number | None) -> str:
    """Where a value is, as a sum with each pointer's own address in brackets: ``[80102B7C] + 2E``.

    ``computed`` for a value that has no address, or one that is computed otherwise.
    """
    if not isinstance(number, nodes.Read | nodes.Stored | nodes.FlagRead):
        return "computed"
    offset = number.offset if isinstance(number, nodes.Stored) else 0
    return _place_form(number.place, offset) or "computed"


def _place_form(place: nodes.Place, offset: int) -> str:
    if isinstance(place, nodes.Offset):
        return _place_form(place.base, offset + place.offset)
    if isinstance(place, nodes.Fixed):
        return f"{place.address + offset:08X}"
    if isinstance(place, nodes.Followed):
        inner = _place_form(place.pointer, 0)
        return f"[{inner}] + {offset:X}" if inner else ""
    return ""
