"""From checked slots to the Python source that evaluates all of them.

Every slot becomes a ``try`` block of simple statements, so that what has no value stops nothing
else.  Blocks are grouped in functions of ``chunk`` slots: many for a whole image, one for a sparse
image, so that a slot that was set aside can be evaluated again by itself.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Final

from bridge.evaluation.code_generator import Generator, Rule
from bridge.evaluation.code_writer import GeneratedCode, plus
from bridge.evaluation.list_code import LIST_RULES
from bridge.evaluation.number_code import NUMBER_RULES
from bridge.expressions import nodes
from bridge.expressions.program import FrameFunctionCall, Program, Slot
from bridge.memory.address_map import MemoryMap
from bridge.values.value_type import Kind
from schemas.compiler import BuildLayout
from schemas.layout import PointerTo

__all__ = ["RULES", "generate"]

RULES: Final[Mapping[type[nodes.Expr], Rule]] = {**NUMBER_RULES, **LIST_RULES}
_MAX_CHUNK = 4000
"""Statements of a function, so that it is not long before the clock is looked at."""


def generate(
    program: Program, layout: BuildLayout, memory: MemoryMap, *, whole: bool, chunk: int
) -> GeneratedCode:
    """Source for all slots of a program.  Functions are named ``chunk0``, ``chunk1``, …."""
    generator = Generator(program, layout, memory, RULES, whole=whole)
    slots = program.slots
    addresses: list[int | None] = []
    bodies: list[list[str]] = []
    chunks: list[range] = []
    weights: list[int] = []
    first = 0
    while first < len(slots):
        body: list[str] = []
        generator.further, number = 0, first
        while number < min(first + chunk, len(slots)) and len(body) < _MAX_CHUNK:
            lines, address = _slot_code(generator, number, slots[number])
            body += lines
            addresses.append(address)
            number += 1
        bodies.append(body)
        chunks.append(range(first, number))
        weights.append(len(body) + generator.further)
        first = number
    formats = sorted(generator.formats)
    functions = {f"chunk{number}": body for number, body in enumerate(bodies)}
    functions |= {f"list{number}": body for number, body in sorted(generator.list_bodies.items())}
    return GeneratedCode(
        _source(functions, formats),
        generator.constants,
        formats,
        addresses,
        frozenset(generator.lines),
        chunks,
        weights,
        tuple(generator.shared),
    )


def _source(functions: Mapping[str, Sequence[str]], formats: Sequence[str]) -> str:
    unpackers = "".join(f", u_{name}=u_{name}" for name in formats)
    text: list[str] = []
    for name, body in functions.items():
        text.append(f"def {name}(ram, V, S, A, L, T, C, K=K{unpackers}):")
        text += body
    return "\n".join(text)


def _slot_code(generator: Generator, number: int, slot: Slot) -> tuple[list[str], int | None]:
    """The statements of one slot, and its address where that is known beforehand."""
    generator.count = 0
    generator.loops = {}
    generator.slot, generator.checks, generator.spends = number, slot.heap_checks, False
    generator.indent = "  "
    address: int | None = None

    def evaluate() -> None:
        nonlocal address
        if slot.over_frames is not None:
            _step(generator, number, slot.over_frames)
        else:
            address = _value(generator, number, slot)

    body = generator.captured(evaluate)
    start = ["  start()"] if generator.spends else []
    fault = f" except Exception as e: S[{number}] = fault(e, {number})"
    return [" try:", *start, *body, fault], address


def _step(generator: Generator, number: int, call: FrameFunctionCall) -> None:
    """Emit the step of a function over frames."""
    machine = generator.constant(number)
    arguments = ", ".join(f"(None if S[{a}] is not None else V[{a}])" for a in call.arguments)
    for argument in call.arguments:
        generator.share(argument)
    generator.emit(f"V[{number}] = step({machine}, ({arguments},), S)")


def _value(generator: Generator, number: int, slot: Slot) -> int | None:
    """Emit a slot's number; gives its address where that is known beforehand."""
    assert slot.number is not None
    known: int | None = None
    root = slot.address_node
    if isinstance(root, nodes.Read | nodes.Stored | nodes.FlagRead):
        value, address = generator.stored(root)
        if address.variable is None:
            known = address.offset
        else:
            generator.emit(f"A[{number}] = {plus(address.variable, address.offset)}")
        if isinstance(root, nodes.Read) and isinstance(root.leaf, PointerTo):
            value = generator.aim(value, root.place, root.leaf)
    else:
        value = generator.number(slot.number)
        if slot.type.kind is Kind.FLOAT:
            value = f"finite(float({value}))"
        elif slot.type.kind is Kind.INTEGER:
            value = f"bounded({value})"
    generator.emit(f"V[{number}] = {value}")
    return known
