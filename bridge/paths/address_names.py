"""Which symbol and field lies at a guest address: the way back from an address to a path.

Symbols are where a build places them.  What lies behind pointers is found by asking for them all at
once: ``pointers`` lists what a bridge's watches follow and then what the symbols' own pointers lead
to, breadth first, as places that any frame can be asked for; whichever turns out to point at the
struct around the address gives the path.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from construct import Array

from bridge.expressions import nodes
from bridge.expressions.node_walks import followed
from bridge.expressions.program import Program
from bridge.memory.address_map import MemoryMap
from bridge.values.value_type import Kind, ValueType
from schemas.compiler import BuildLayout
from schemas.layout import (
    BitField,
    Chars,
    Leaf,
    Node,
    OffsetStruct,
    PointerTo,
    count_of,
    name_of,
    size_of,
)

__all__ = [
    "ADDRESS",
    "DEEPEST",
    "MAX_POINTERS",
    "Pointer",
    "Spot",
    "pointer_spots",
    "pointers",
    "pointers_in",
    "ranked",
    "spot_in",
    "spots_in",
    "symbol_spot",
    "symbol_spots",
]

ADDRESS = ValueType(Kind.INTEGER, address=True, name="address")
MAX_POINTERS = 1500
DEEPEST = 3
_ELEMENTS = 64
"""Of an array of pointers, this many are followed."""


@dataclass(frozen=True, slots=True)
class Spot:
    """What lies at an address: ``offset`` bytes into the value or struct that begins at ``start``.

    ``start`` is a guest address.  ``path`` is how an expression would name it.  ``node`` is a leaf,
    or a struct where the address lies in a gap between its fields.
    """

    path: str
    node: Node
    start: int
    offset: int
    order: str

    @property
    def named(self) -> bool:
        """False in a gap."""
        return isinstance(self.node, Leaf)

    @property
    def type(self) -> str:
        """The name of the value's type."""
        return name_of(self.node)

    @property
    def half(self) -> str | None:
        """``low`` or ``high``, by significance, of a value of 4 or 8 bytes; else None."""
        node = self.node
        if not isinstance(node, Leaf) or isinstance(node, BitField | Chars):
            return None
        if node.size not in (4, 8):
            return None
        first = self.offset < node.size // 2
        return "high" if first is (self.order == ">") else "low"

    def words(self) -> str:
        """For people: ``low half of courier.held.position.x``."""
        if not self.named:
            return f"{self.path} + 0x{self.offset:X}, between the fields of {self.type}"
        half, size = self.half, size_of(self.node)
        if half is not None:
            inside = "" if self.offset % (size // 2) == 0 else "inside the "
            return f"{inside}{half} half of {self.path}"
        if self.offset and not isinstance(self.node, BitField):
            return f"byte at + {self.offset} of {self.path}"
        return self.path


@dataclass(frozen=True, slots=True)
class Pointer:
    """A pointer to ask a frame for: ``number`` is the address that it leads to."""

    path: str
    target: Node
    number: nodes.Number


def symbol_spot(layout: BuildLayout, memory: MemoryMap, address: int) -> Spot | None:
    """The most specific symbol and field at a guest address, also through a mirror."""
    return next(iter(symbol_spots(layout, memory, address)), None)


def symbol_spots(layout: BuildLayout, memory: MemoryMap, address: int) -> list[Spot]:
    """Every field of a symbol at a guest address, the most specific first; else the one gap.

    Several are there where bit-fields share a byte, or fields or symbols overlap.
    """
    return ranked(
        spot
        for symbol in layout.symbols.values()
        for spot in spots_in(symbol.name, symbol.type, symbol.address, memory, address, layout)
    )


def spot_in(
    path: str, node: Node, start: int, memory: MemoryMap, address: int, layout: BuildLayout
) -> Spot | None:
    """The most specific field at *address* of what begins at *start*; None where it is outside."""
    return next(iter(spots_in(path, node, start, memory, address, layout)), None)


def spots_in(
    path: str, node: Node, start: int, memory: MemoryMap, address: int, layout: BuildLayout
) -> list[Spot]:
    """Every field at *address* of what begins at *start*, the most specific first."""
    inside, begin = memory.flat(address), memory.flat(start)
    if inside is None or begin is None or not begin <= inside < begin + size_of(node):
        return []
    return ranked(_within(path, node, memory.address(begin), inside - begin, layout.order))


def ranked(spots: Iterable[Spot]) -> list[Spot]:
    """The most specific first, without gaps where anything is named, else the least gap alone."""
    ordered = sorted(spots, key=_specific)
    return [spot for spot in ordered if spot.named] or ordered[:1]


def _within(path: str, node: Node, start: int, offset: int, order: str) -> list[Spot]:
    if isinstance(node, Array):
        index, offset = divmod(offset, size_of(node.subcon))
        start += index * size_of(node.subcon)
        return _within(f"{path}[{index}]", node.subcon, start, offset, order)
    found: list[Spot] = []
    if isinstance(node, OffsetStruct):
        for member in node.members.values():
            within = offset - member.offset
            if 0 <= within < size_of(member.type) and not _misses(member.type, within, order):
                at = start + member.offset
                found += _within(f"{path}.{member.name}", member.type, at, within, order)
    return found or [Spot(path, node, start, offset, order)]


def _misses(node: Node, offset: int, order: str) -> bool:
    """Whether a bit-field has no bit in the byte at *offset* into its word."""
    if not isinstance(node, BitField):
        return False
    byte = node.size - 1 - offset if order == ">" else offset
    return node.lowest >= 8 * byte + 8 or node.lowest + node.width <= 8 * byte


def _specific(spot: Spot) -> tuple[bool, int, int]:
    """Named before not, then the fewest bytes, then what begins at the address."""
    return (not spot.named, size_of(spot.node), spot.offset)


def pointers(layout: BuildLayout, program: Program) -> list[Pointer]:
    """Every pointer that may lead to an address: those that watches follow, then the symbols' own.

    No more than MAX_POINTERS, and none behind more than DEEPEST others, unless a watch follows it.
    """
    found: dict[str, Pointer] = {}
    for slot in program.slots:
        for place in followed(slot.number):
            found.setdefault(place.text, _pointer(place))
    level: list[nodes.Place] = [
        nodes.Fixed(symbol.name, symbol.type, symbol.address) for symbol in layout.symbols.values()
    ]
    for _ in range(DEEPEST):
        following: list[nodes.Place] = []
        for base in level:
            for suffix, offset, leaf in pointers_in(base.node):
                if len(found) >= MAX_POINTERS:
                    return list(found.values())
                stored = nodes.Offset(f"{base.text}{suffix}", leaf, base, offset)
                target = layout.type(leaf.target)
                whole = isinstance(target, OffsetStruct)
                text = stored.text if whole else f"{stored.text}[0]"
                led = nodes.Followed(text, target, stored)
                found.setdefault(text, _pointer(led))
                following.append(led)
        level = following
    return list(found.values())


def _pointer(place: nodes.Followed) -> Pointer:
    return Pointer(place.text, place.node, nodes.AddressOf(place.text, ADDRESS, place))


def pointers_in(
    node: Node, suffix: str = "", offset: int = 0
) -> Iterator[tuple[str, int, PointerTo]]:
    """The pointers that are stored in a type: suffix of the path, offset in bytes, and type."""
    if isinstance(node, PointerTo):
        yield suffix, offset, node
    elif isinstance(node, OffsetStruct):
        for member in node.members.values():
            yield from pointers_in(member.type, f"{suffix}.{member.name}", offset + member.offset)
    elif isinstance(node, Array):
        size = size_of(node.subcon)
        for index in range(min(count_of(node), _ELEMENTS)):
            yield from pointers_in(node.subcon, f"{suffix}[{index}]", offset + index * size)


def pointer_spots(
    pointers_read: Sequence[tuple[Pointer, int]],
    memory: MemoryMap,
    address: int,
    layout: BuildLayout,
) -> list[Spot]:
    """The fields at an address behind the first pointer (with its value) that leads to any."""
    gap: list[Spot] = []
    for pointer, value in pointers_read:
        spots = spots_in(pointer.path, pointer.target, value, memory, address, layout)
        if spots and spots[0].named:
            return spots
        gap = gap or spots
    return gap
