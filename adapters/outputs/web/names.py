"""What an expression can be written with: symbols, fields, members, functions and watches."""

from __future__ import annotations

from collections.abc import Sequence, Set
from typing import Any

from construct import Array

from bridge.prepared import PreparedBuild
from bridge.readings.reading import Watch
from schemas.compiler import Schema
from schemas.layout import BitField, FlagSet, Node, OffsetStruct, PointerTo, name_of

__all__ = ["names"]


def names(
    schema: Schema,
    prepared: PreparedBuild,
    watches: Sequence[Watch],
    build: str,
) -> dict[str, Any]:
    """All names that an expression knows in one build, for completion.

    ``build`` is the running build, "" while it is not known.  ``to`` is the name of the struct, or
    of the set of flags, whose fields may follow with a dot: of the value's own type, behind a
    pointer, or of an array's elements; "" where nothing may.  A set of flags is among the structs,
    and each of its flags is a field of type ``bool``.
    """
    layout = prepared.layout
    known = frozenset(schema.file.structs)
    return {
        "build": build,
        "symbols": {
            symbol.name: {"type": name_of(symbol.type), "to": _leads_to(symbol.type, known)}
            for symbol in layout.symbols.values()
        },
        "structs": {
            **{name: {"fields": _fields(layout.type(name), known)} for name in schema.file.structs},
            **{
                name: {"fields": {flag: _field("bool") for flag in table.bits}}
                for name, table in schema.file.flags.items()
            },
        },
        "enums": {name: list(each.members) for name, each in layout.enumerations.items()},
        "functions": [
            {"name": name, "call": function.form, "doc": function.gives}
            for name, function in prepared.functions.items()
        ],
        "watches": [
            {
                "name": watch.name,
                "label": watch.title,
                "expression": watch.expression,
                "group": watch.group,
            }
            for watch in watches
        ],
    }


def _fields(struct: Node, known: Set[str]) -> dict[str, dict[str, str]]:
    assert isinstance(struct, OffsetStruct)
    return {
        member.name: _field(name_of(member.type), member.doc, _leads_to(member.type, known))
        for member in struct.members.values()
    }


def _field(kind: str, doc: str = "", to: str = "") -> dict[str, str]:
    return {"type": kind, "doc": doc, "to": to}


def _leads_to(node: Node, known: Set[str]) -> str:
    while isinstance(node, Array):
        node = node.subcon
    if isinstance(node, BitField):
        node = node.unit
    if isinstance(node, PointerTo):
        # what a pointer to a pointer, or to a number, points at has no fields
        target = str(node.target)
        return target if target in known else ""
    return node.type_name if isinstance(node, OffsetStruct | FlagSet) else ""
