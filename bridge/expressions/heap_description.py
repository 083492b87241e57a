"""The schema's ``[heap]`` and ``[heaps.NAME]`` as typed nodes: what walks evaluate for each block.

``block`` is a list's variable there, as in ``[… for block in …]``, so the expressions are checked
and compiled like a watch's.  So are ``index``, ``handle``, and ``owner`` at the payload; and those
that no expression can name.
"""

from __future__ import annotations

import ast
from collections.abc import Callable, Mapping, Sequence
from typing import TypeVar

from construct import Array

from bridge.expressions import nodes
from bridge.expressions.checker import Checker
from bridge.expressions.leaf_types import value_type
from bridge.expressions.program import HandleTable, HeapProgram, SlotPool
from bridge.values.value_type import INTEGER, Kind, ValueType
from schemas.errors import ExpressionError
from schemas.heap_table import ExtentTable, HandlesTable, HeapTable
from schemas.heap_types import HeapTypes
from schemas.layout import Leaf, Node, PointerTo, count_of, name_of
from schemas.regions import misplaced

__all__ = ["BLOCK", "ENTRY", "HANDLE", "INDEX", "OWNER", "PAYLOAD", "heap_programs"]

BLOCK = "block"
INDEX = "index"
HANDLE = "handle"
OWNER = "owner"
PAYLOAD = " payload"
ENTRY = " entry"
"""Where the pointer that leads to a block is stored."""


def heap_programs(checker: Checker) -> tuple[HeapProgram, ...]:
    """The programs of a build's heaps.  Raises SchemaError."""
    programs = tuple(_program(checker, types) for types in checker.layout.heaps)
    _check_siblings(checker, programs)
    return programs


def _check_siblings(checker: Checker, programs: Sequence[HeapProgram]) -> None:
    """Refuse extents that are written out and overlap, where neither lies in the other."""
    written: list[tuple[HeapTypes, int, int]] = []
    for program in programs:
        if program.extent is None:
            continue
        low, high = (_written_address(each) for each in program.extent)
        if low is None or high is None:
            continue
        for other, start, end in written:
            apart = high <= start or end <= low
            inside = (start <= low and high <= end) or (low <= start and end <= high)
            if not apart and not inside:
                layout = checker.layout
                where = f"0x{start:08X} to 0x{end:08X}, that of {'.'.join(other.path)}"
                message = f"0x{low:08X} to 0x{high:08X} overlaps {where} (build {layout.name})"
                raise layout.error((*program.types.path, "extent"), message)
        written.append((program.types, low, high))


def _program(checker: Checker, types: HeapTypes) -> HeapProgram:
    table, part = types.table, _Parts(checker, types)
    owner, owner_bytes = _owner(types)
    pool = handles = None
    if table.handles is not None:
        handles = part.handles(table.handles)
    firsts = part.firsts(table)
    if table.slots is not None:
        count = part.outside(("slots", "count"), table.slots.count, checker.whole_number)
        size = part.outside(("slots", "size"), table.slots.size, checker.whole_number)
        pool = SlotPool(count, size)
    return HeapProgram(
        types,
        firsts,
        part.optional("next", table.next, part.header),
        part.optional("size", table.size, checker.whole_number),
        part.optional("used", table.used, checker.number),
        part.optional("payload", table.payload, part.address),
        part.optional("magic", table.magic, checker.number),
        part.optional("generation", table.generation, checker.whole_number),
        owner,
        owner_bytes,
        part.of_object("identity", table.identity),
        part.of_object("age", table.age),
        0 if types.owner.struct is None else types.owner.struct.size,
        part.newest_first(table.newest_first),
        part.extent(table.extent),
        pool,
        handles,
        part.optional("header", table.header, part.header),
    )


def _check_first(
    checker: Checker, types: HeapTypes, path: tuple[str | int, ...], first: nodes.Number, text: str
) -> None:
    """Refuse an address that is written out and can never be read."""
    layout = checker.layout
    address, size = _written_address(first), types.header_size or 1
    if isinstance(first, nodes.Read):
        address, size = _written_address(nodes.AddressOf("", INTEGER, first.place)), first.leaf.size
    if address and (fault := misplaced(layout.memory, address, size)):
        message = f"{text} is at 0x{address:08X}, which {fault} (build {layout.name})"
        raise layout.error((*types.path, *path), message)


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


_Found = TypeVar("_Found")


class _Parts:
    """Checks one expression of the table after another."""

    def __init__(self, checker: Checker, types: HeapTypes) -> None:
        self.checker = checker
        self.types = types
        self.variables: dict[str, Node | ValueType] = {}
        if types.block is not None:
            self.variables[BLOCK] = types.block
        if INDEX not in checker.layout.symbols:
            self.variables[INDEX] = INTEGER
        if types.table.handles is not None:
            self.variables[HANDLE] = INTEGER

    def firsts(self, table: HeapTable) -> tuple[nodes.Number, ...]:
        """Where the lists, or the pool, begin."""
        texts = [table.first] if isinstance(table.first, str) else table.first or []
        found = []
        for place, text in enumerate(texts):
            path = ("first",) if isinstance(table.first, str) else ("first", place)
            read = self.pool if table.slots is not None else self.header
            first = self.outside(path, text, read)
            _check_first(self.checker, self.types, path, first, text)
            found.append(first)
        return tuple(found)

    def pool(self, tree: ast.expr) -> nodes.Number:
        """Where a pool begins: what is there, what a pointer leads to, or an address."""
        found = self.checker.any(tree)
        if isinstance(found, nodes.Place):
            if isinstance(found.node, PointerTo):
                return self.checker.read(found, found.node)
            if not isinstance(found.node, Leaf):
                return nodes.AddressOf(found.text, INTEGER, found)
        return self.checker.whole_number(tree)

    def extent(self, table: ExtentTable | None) -> tuple[nodes.Number, nodes.Number] | None:
        """Where blocks can lie: the first address, and the one behind the last."""
        if table is None:
            return None
        low = self.outside(("extent", "from"), table.from_, self.address)
        high = self.outside(("extent", "to"), table.to, self.address)
        first, last = _written_address(low), _written_address(high)
        if first is not None and last is not None and last <= first:
            layout = self.checker.layout
            message = (
                f"ends at 0x{last:08X}, which is not behind 0x{first:08X} (build {layout.name})"
            )
            raise layout.error((*self.types.path, "extent", "to"), message)
        return low, high

    def handles(self, table: str | HandlesTable) -> HandleTable:
        """The table of pointers: where it is, how many it has, and the pointer at hand."""
        if isinstance(table, str):
            return self.outside(("handles",), table, lambda tree: self._handles(tree, None))
        count = None
        if table.count is not None:
            path = ("handles", "count")
            count = self.outside(path, table.count, self.checker.whole_number)
        path = ("handles", "table")
        return self.outside(path, table.table, lambda tree: self._handles(tree, count))

    def _handles(self, tree: ast.expr, count: nodes.Number | None) -> HandleTable:
        found = self.checker.any(tree)
        if not isinstance(found, nodes.Place):
            self.checker.refuse(tree, "is a value, expected an array of pointers")
        node = found.node
        if isinstance(node, PointerTo) and count is not None:
            found = self.checker.follow(tree, found)
            node = found.node
        element = node
        if isinstance(node, Array):
            element = node.subcon
            if count is None:
                count = nodes.Literal("", INTEGER, count_of(node))
        if not isinstance(element, PointerTo):
            self.checker.refuse(tree, f"is a {name_of(found.node)}, expected an array of pointers")
        if count is None:
            self.checker.refuse(tree, "is one pointer; say how many there are: table, count")
        entry = nodes.AtAddress(HANDLE, element, nodes.LoopNumber(ENTRY, INTEGER, ENTRY))
        pointer = nodes.Read(HANDLE, value_type(element), entry, element)
        return HandleTable(nodes.AddressOf(found.text, INTEGER, found), count, pointer)

    def outside(
        self, path: tuple[str | int, ...], text: str, read: Callable[[ast.expr], _Found]
    ) -> _Found:
        """An expression that is of no block."""
        return self._read(path, text, read, {})

    def optional(
        self, key: str, text: str | None, read: Callable[[ast.expr], nodes.Number]
    ) -> nodes.Number | None:
        """An expression of a block."""
        return None if text is None else self._read((key,), text, read, self.variables)

    def _read(
        self,
        path: tuple[str | int, ...],
        text: str,
        read: Callable[[ast.expr], _Found],
        variables: Mapping[str, Node | ValueType],
    ) -> _Found:
        try:
            return read(self.checker.of_heap(text, variables))
        except ExpressionError as fault:
            layout = self.checker.layout
            caret = str(fault).partition("\n")[2]
            message = f"{fault.detail} (build {layout.name})\n{caret}"
            raise layout.error((*self.types.path, *path), message) from fault

    def of_object(self, key: str, text: str | None) -> nodes.Number | None:
        """An expression that may name the struct at a used block's payload, too."""
        if text is None:
            return None
        variables = dict(self.variables)
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
            name = self.types.block_name
            if not name and isinstance(found.node, PointerTo):
                return self.checker.read(found, found.node)
            if name and name_of(found.node) == name:
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
