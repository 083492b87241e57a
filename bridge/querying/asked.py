"""What is asked of a recording: the columns and conditions, checked for one build."""

from __future__ import annotations

import ast
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from bridge.expressions.compiling import check
from bridge.expressions.functions.function import Function
from bridge.expressions.functions.table import FUNCTIONS
from bridge.expressions.program import Program
from bridge.expressions.syntax import parse
from bridge.values.value_type import Kind, ValueType
from schemas.compiler import BuildLayout
from schemas.errors import ExpressionError
from schemas.loader import Bridge

__all__ = ["Asked", "ColumnAsked", "asked_of"]


@dataclass(frozen=True, slots=True)
class ColumnAsked:
    """A column: its name, and the expression or the watch of the bridge file that it shows."""

    name: str
    expression: str


@dataclass(frozen=True, slots=True)
class Asked:
    """A program of what is asked and of the watches that this uses, and the slots that it is in.

    ``conditions`` are the slots of the conditions, in the order in which they were given.
    """

    layout: BuildLayout
    program: Program
    columns: tuple[int, ...]
    conditions: tuple[int, ...]

    @property
    def slots(self) -> tuple[int, ...]:
        """Those of columns and conditions."""
        return (*self.columns, *self.conditions)

    @property
    def types(self) -> tuple[ValueType, ...]:
        """The type of each column."""
        return tuple(self.program.slots[slot].type for slot in self.columns)


def asked_of(
    bridge: Bridge,
    layout: BuildLayout,
    columns: Sequence[ColumnAsked],
    conditions: Sequence[str] = (),
    functions: Mapping[str, Function] = FUNCTIONS,
    *,
    heap_warnings: bool = True,
) -> Asked:
    """Check *columns* and *conditions*, which may use the bridge file's watches, and columns.

    A column is known by its name where nothing else has that name.
    Without *heap_warnings* no pointer into the heap is judged, which changes no value but
    spares the walk along the heap.  Raises ExpressionError.
    """
    known = {watch.name: watch.expr for watch in bridge.file.watches}
    unwarned = {watch.name for watch in bridge.file.watches if watch.heap == "ignore"}
    texts = [*(column.expression for column in columns), *conditions]
    taken = {*known, *layout.symbols, *layout.enumerations, *functions, *_loop_names(texts)}
    named = {
        column.name: column.expression
        for column in columns
        if column.name.isidentifier() and column.name not in (column.expression, *taken)
    }
    names: list[str] = []
    asked: dict[str, str] = {}
    for text in texts:
        # no watch can have such a name
        name = text if text in known or text in named else f"asked {len(asked)}"
        if name.startswith("asked "):
            asked[name] = text
        names.append(name)
    expressions = {**_used({**known, **named}, texts), **asked}
    try:
        program = check(layout, expressions, unwarned if heap_warnings else expressions, functions)
    except ExpressionError as fault:
        if fault.watch not in asked:
            raise
        named = dict(zip(names, (column.name for column in columns), strict=False))
        called = named.get(fault.watch, "")
        if called == asked[fault.watch]:
            called = ""
        raise ExpressionError(
            fault.detail, expression=fault.expression, column=fault.column, watch=called
        ) from None
    slots = [program.watches[name] for name in names]
    for text, slot in zip(conditions, slots[len(columns) :], strict=True):
        if program.slots[slot].type.kind is Kind.TEXT:
            raise ExpressionError("is a text, expected true or false", expression=text)
    return Asked(layout, program, tuple(slots[: len(columns)]), tuple(slots[len(columns) :]))


def _loop_names(texts: Sequence[str]) -> set[str]:
    """The names that elements of lists have in expressions."""
    parts = (part for text in texts for part in ast.walk(parse(text, "")))
    return {p.id for p in parts if isinstance(p, ast.Name) and isinstance(p.ctx, ast.Store)}


def _used(known: Mapping[str, str], texts: Sequence[str]) -> dict[str, str]:
    """The watches that expressions name, and those that these name in turn."""
    found: dict[str, None] = {}
    waiting = list(texts)
    while waiting:
        text = waiting.pop()
        for part in ast.walk(parse(text, "")):
            if isinstance(part, ast.Name) and part.id in known and part.id not in found:
                found[part.id] = None
                waiting.append(known[part.id])
    return {name: text for name, text in known.items() if name in found}
