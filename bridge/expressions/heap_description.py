"""The schema's ``[heap]`` as typed nodes: what the walk evaluates for each block.

``block`` is a list's variable there, as in ``[… for block in …]``, so the expressions are checked
and compiled like a watch's; ``owner`` is another, at the payload, and so is ``payload``, which no
expression can name.
"""

from __future__ import annotations

import ast
from collections.abc import Callable, Mapping
from typing import TypeVar

from bridge.expressions import nodes
from bridge.expressions.checker import Checker
from bridge.expressions.program import HeapProgram
from bridge.values.value_type import INTEGER, Kind, ValueType
from schemas.errors import ExpressionError
from schemas.heap_types import HeapTypes
from schemas.layout import Leaf, Node, PointerTo, name_of
from schemas.regions import misplaced

__all__ = ["BLOCK", "OWNER", "PAYLOAD", "heap_program"]

BLOCK = "block"
OWNER = "owner"
PAYLOAD = " payload"


def heap_program(checker: Checker) -> HeapProgram | None:
    """The program of a build's heap, None where the schema describes none.  Raises SchemaError."""
    types = checker.layout.heap
    if types is None:
        return None
    table, part = types.table, _Parts(checker, types)
    owner, owner_bytes = _owner(types)
    first = part.checked("first", table.first, part.header, within=False)
    _check_first(checker, types, first)
    return HeapProgram(
        types,
        first,
        part.checked("next", table.next, part.header),
        part.checked("size", table.size, checker.whole_number),
        part.checked("used", table.used, checker.number),
        part.checked("payload", table.payload, part.address),
        part.optional("magic", table.magic, checker.number),
        part.optional("generation", table.generation, checker.whole_number),
        owner,
        owner_bytes,
        part.of_object("identity", table.identity),
        part.of_object("age", table.age),
        0 if types.owner.struct is None else types.owner.struct.size,
        part.newest_first(table.newest_first),
    )


def _check_first(checker: Checker, types: HeapTypes, first: nodes.Number) -> None:
    """Refuse an address that is written out and can never be read."""
    layout = checker.layout
    address, size = _written_address(first), types.block.size
    if isinstance(first, nodes.Read):
        address, size = _written_address(nodes.AddressOf("", INTEGER, first.place)), first.leaf.size
    if address and (fault := misplaced(layout.memory, address, size)):
        message = f"{types.table.first} is at 0x{address:08X}, which {fault} (build {layout.name})"
        raise layout.error(("heap", "first"), message)


def _written_address(number: nodes.Number) -> int | None:
    """The guest address that an expression gives in every frame, None where that is not known."""
    if isinstance(number, nodes.Literal) and isinstance(number.value, int):
        return number.value
    if not isinstance(number, nodes.AddressOf):
        return None
    place: nodes.Place = number.place
    offset = 0
    while isinstance(place, nodes.Offset):
        offset += place.offset
        place = place.base
    base = _written_address(place.address) if isinstance(place, nodes.AtAddress) else None
    return None if base is None else base + offset


def _owner(types: HeapTypes) -> tuple[nodes.Number | None, int]:
    owner = types.owner
    if owner.struct is None or owner.leaf is None:
        return None, 0
    text = f"{owner.struct.type_name}.{owner.path}"
    payload = nodes.LoopNumber(PAYLOAD, INTEGER, PAYLOAD)
    struct = nodes.AtAddress(owner.struct.type_name, owner.struct, payload)
    place = nodes.Offset(text, owner.leaf, struct, owner.offset)
    return nodes.Read(text, INTEGER, place, owner.leaf), owner.offset + owner.leaf.size


_Read = TypeVar("_Read")


class _Parts:
    """Checks one expression of the table after another."""

    def __init__(self, checker: Checker, types: HeapTypes) -> None:
        self.checker = checker
        self.types = types

    def checked(
        self,
        key: str,
        text: str,
        read: Callable[[ast.expr], nodes.Number],
        *,
        within: bool = True,
    ) -> nodes.Number:
        """One expression, *within* a block where it is not the one that finds the first."""
        return self._read((key,), text, read, {BLOCK: self.types.block} if within else {})

    def _read(
        self,
        path: tuple[str | int, ...],
        text: str,
        read: Callable[[ast.expr], _Read],
        variables: Mapping[str, Node],
    ) -> _Read:
        try:
            return read(self.checker.of_heap(text, variables))
        except ExpressionError as fault:
            layout = self.checker.layout
            caret = str(fault).partition("\n")[2]
            message = f"{fault.detail} (build {layout.name})\n{caret}"
            raise layout.error(("heap", *path), message) from fault

    def optional(
        self, key: str, text: str | None, read: Callable[[ast.expr], nodes.Number]
    ) -> nodes.Number | None:
        return None if text is None else self.checked(key, text, read)

    def of_object(self, key: str, text: str | None) -> nodes.Number | None:
        """An expression that may name the struct at a used block's payload, too."""
        if text is None:
            return None
        variables: dict[str, Node] = {BLOCK: self.types.block}
        if self.types.owner.struct is not None:
            variables[OWNER] = self.types.owner.struct

        def read(tree: ast.expr) -> nodes.Number:
            for part in ast.walk(tree):
                base = part.value if isinstance(part, ast.Attribute) else None
                if isinstance(base, ast.Name) and base.id == OWNER and OWNER not in variables:
                    message = "owner is the struct of [heap.owner], which names none"
                    self.checker.refuse(base, message)
            return self.checker.whole_number(tree)

        return self._read((key,), text, read, variables)

    def newest_first(self, texts: str | list[str]) -> tuple[nodes.Listing, ...]:
        """The lists that tell ages by their order."""
        key = "newest_first"
        if isinstance(texts, str):
            return (self._read((key,), texts, self.addresses, {}),)
        return tuple(
            self._read((key, place), text, self.addresses, {}) for place, text in enumerate(texts)
        )

    def addresses(self, tree: ast.expr) -> nodes.Listing:
        """A list of places, or of whole numbers that are addresses."""
        found = self.checker.listing(tree)
        if isinstance(found.element, ValueType) and found.element.kind is not Kind.INTEGER:
            self.checker.refuse(tree, f"is a list of {found.element.name}, expected of addresses")
        return found

    def header(self, tree: ast.expr) -> nodes.Number:
        """A block, or a pointer to one, as the address of its header."""
        found = self.checker.any(tree)
        if isinstance(found, nodes.Place):
            name = self.types.block.type_name
            if name_of(found.node) == name:
                return nodes.AddressOf(found.text, INTEGER, found)
            if isinstance(found.node, PointerTo) and str(found.node.target) != name:
                target = name_of(found.node)
                self.checker.refuse(tree, f"is a {target}, expected a {name} or a {name}*")
            if not isinstance(found.node, Leaf):
                self.checker.refuse(tree, f"is a {name_of(found.node)}, expected a {name}")
        return self.checker.whole_number(tree)

    def address(self, tree: ast.expr) -> nodes.Number:
        """A guest address, or the place that begins there."""
        found = self.checker.any(tree)
        if isinstance(found, nodes.Place) and not isinstance(found.node, Leaf):
            return nodes.AddressOf(found.text, INTEGER, found)
        return self.checker.whole_number(tree)
