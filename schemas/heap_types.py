"""A build's heap as far as types go; its expressions are checked where expressions are known."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from schemas.heap_table import HeapOwnerTable, HeapTable
from schemas.layout import BitField, Enumeration, Leaf, OffsetStruct
from schemas.resolve import resolve
from schemas.toml_file import TomlText, nearest

__all__ = ["HeapOwner", "HeapTypes", "heap_types"]


@dataclass(frozen=True, slots=True)
class HeapOwner:
    """How to tell what a used block holds.

    Either ``leaf``, an enum at ``offset`` bytes into ``struct``, which every payload begins with;
    ``structs`` then has the struct that a payload of each kind really is.  Or ``sizes``, payload
    size in bytes → name.
    """

    struct: OffsetStruct | None = None
    offset: int = 0
    leaf: Leaf | None = None
    path: str = ""
    structs: Mapping[str, OffsetStruct] = field(default_factory=dict)
    sizes: Mapping[int, str] = field(default_factory=dict)

    @property
    def names(self) -> tuple[str, ...]:
        """Every name that an owner can have."""
        if self.leaf is None:
            return tuple(self.sizes.values())
        return tuple(_enumeration(self.leaf).members)

    def name(self, number: int) -> str:
        """The name of a kind's number; the number where it has none."""
        assert self.leaf is not None
        members = _enumeration(self.leaf).members
        return next((name for name, value in members.items() if value == number), str(number))


@dataclass(frozen=True, slots=True)
class HeapTypes:
    """A heap of a build: its table, the struct of a block's header, and its owners.

    ``block`` is None where blocks have no header.  ``name`` is empty for ``[heap]`` itself.
    """

    table: HeapTable
    block: OffsetStruct | None
    owner: HeapOwner
    name: str = ""

    @property
    def path(self) -> tuple[str, ...]:
        """Where its table stands in the schema."""
        return ("heaps", self.name) if self.name else ("heap",)

    @property
    def header_size(self) -> int:
        """Bytes of a block's header."""
        return 0 if self.block is None else self.block.size

    @property
    def block_name(self) -> str:
        """The name of the header's struct, empty where there is none."""
        return "" if self.block is None else self.block.type_name

    def begins_payloads(self, type_name: str) -> bool:
        """Whether a pointer to such a struct must lead to the start of a payload."""
        structs = (self.owner.struct, *self.owner.structs.values())
        return any(s is not None and s.type_name == type_name for s in structs)


def heap_types(
    table: HeapTable,
    known: Mapping[str, object],
    struct: Callable[[str], OffsetStruct],
    text: TomlText,
    name: str = "",
) -> HeapTypes:
    """A heap of one build; *known* are the names of all structs.  Raises SchemaError."""
    whole = ("heaps", name) if name else ("heap",)

    def named(path: tuple[str, ...], name: str) -> OffsetStruct:
        if name not in known:
            raise text.error((*whole, *path), f"unknown struct {name}{nearest(name, known)}")
        return struct(name)

    block = None if table.block is None else named(("block",), table.block)
    owner = HeapOwner()
    if table.owner is not None:
        owner = _owner(table, table.owner, named, text, whole)
    return HeapTypes(table, block, owner, name)


def _owner(
    heap: HeapTable,
    table: HeapOwnerTable,
    named: Callable[[tuple[str, ...], str], OffsetStruct],
    text: TomlText,
    whole: tuple[str, ...],
) -> HeapOwner:
    if table.struct is None or table.field is None:
        return HeapOwner(sizes=_sizes(heap, table.sizes or {}, text, whole))
    struct = named(("owner", "struct"), table.struct)
    path = (*whole, "owner", "field")
    try:
        offset, leaf = resolve(struct, table.field)
    except ValueError as fault:
        raise text.error(path, str(fault)) from None
    unit = leaf.unit if isinstance(leaf, BitField) else leaf
    if not isinstance(leaf, Leaf) or not isinstance(unit, Enumeration):
        raise text.error(path, f"{table.struct}.{table.field} is no enum, which names the kinds")
    structs = {}
    for member, name in table.structs.items():
        if member not in unit.members:
            raise text.error(
                (*whole, "owner", "structs", member),
                f"{unit.type_name} has no member {member}{nearest(member, unit.members)}",
            )
        structs[member] = named(("owner", "structs", member), name)
    return HeapOwner(struct, offset, leaf, table.field, structs)


def _sizes(
    heap: HeapTable, sizes: Mapping[str, int], text: TomlText, whole: tuple[str, ...]
) -> dict[int, str]:
    """Name by the size that the allocator rounds it up to."""
    found: dict[int, str] = {}
    for name, size in sizes.items():
        rounded = -(-size // heap.alignment) * heap.alignment
        if rounded in found:
            raise text.error(
                (*whole, "owner", "sizes", name),
                f"blocks of {found[rounded]} have the same 0x{rounded:X} bytes; "
                "no size may stand for two",
            )
        found[rounded] = name
    return found


def _enumeration(leaf: Leaf) -> Enumeration:
    unit = leaf.unit if isinstance(leaf, BitField) else leaf
    assert isinstance(unit, Enumeration)
    return unit
