"""What differs between two moments: the heap, symbols, what else pointers lead to, raw bytes.

Of two moments of one build every byte that differs is told: in a field, or in a raw range where no
field that was compared has it.  Moments of two builds are compared by their paths alone, wherever
each build has them.  Bytes that one of the moments does not hold are not compared.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

import numpy as np
from construct import Array

from bridge.comparing.block_pairs import paired
from bridge.comparing.held_memory import Flags
from bridge.comparing.led import Led
from bridge.comparing.moment import Aim, Moment
from bridge.expressions.leaf_types import value_type
from bridge.heap.blocks import Block
from bridge.values.value_type import Value, show_value
from schemas.layout import (
    BitField,
    Leaf,
    Node,
    OffsetStruct,
    PointerTo,
    count_of,
    name_of,
    size_of,
)

__all__ = ["GAP", "Differences", "FieldDifference", "RawRange", "compared"]

GAP = 16
"""Raw ranges that are nearer to each other than this are told as one."""


@dataclass(frozen=True, slots=True)
class FieldDifference:
    """A field or a block that differs.

    ``address`` is its guest address in the first moment, or in the second where only that has it.
    ``a`` and ``b`` are the values, None where there is nothing; of a pointer what it points at, in
    words.  ``texts`` are both for people.
    """

    path: str
    address: int
    type: str
    a: Value | None
    b: Value | None
    texts: tuple[str, str]


@dataclass(frozen=True, slots=True)
class RawRange:
    """Bytes that no field has: ``differing`` of ``length`` from a guest address on differ."""

    address: int
    length: int
    differing: int


@dataclass(frozen=True, slots=True)
class Differences:
    """All of them; ``unheld`` counts the bytes that only one of the moments holds."""

    fields: Sequence[FieldDifference] = ()
    ranges: Sequence[RawRange] = ()
    unheld: int = 0
    same_build: bool = True


def compared(a: Moment, b: Moment, ignored: Sequence[str] = ()) -> Differences:
    """What differs, without what both moments leave out and without paths below *ignored*."""
    return _Comparison(a, b, ignored).made()


@dataclass
class _Comparison:
    a: Moment
    b: Moment
    ignored: Sequence[str]
    fields: list[FieldDifference] = field(default_factory=list)

    def __post_init__(self) -> None:
        a, b = self.a, self.b
        self.same = a.layout.name == b.layout.name
        memory, other = a.memory, b.memory
        self._out = memory.flats(a.left_out), other.flats(b.left_out)
        self._differs: Flags = memory.data != other.data
        self.unheld = 0
        if not (memory.whole and other.whole):
            self._differs &= memory.held & other.held
            # of two builds the same address is not the same thing
            if self.same:
                self.unheld = int(np.count_nonzero(memory.held != other.held))
        for out in (*self._out[0], *self._out[1]):
            self._differs[out] = False
        self._told: Flags = np.zeros_like(self._differs)
        self._pairs: dict[int, int] = {}
        self._seen: set[tuple[int, int, int, int]] = set()

    def made(self) -> Differences:
        if self.same and not self._differs.any():
            return Differences((), (), self.unheld)
        self._led_b = {led.path: led for led in self.b.led}
        # what pointers lead to that lead somewhere in both
        self._led: dict[int, list[Led]] = {}
        for led in self.a.led:
            if led.path in self._led_b:
                self._led.setdefault(led.address, []).append(led)
        self._blocks()
        for name, symbol in self.a.layout.symbols.items():
            other = self.b.layout.symbols.get(name)
            if other is not None:
                self._walk(name, symbol.type, symbol.address, other.type, other.address)
        self._behind_pointers()
        ranges = list(self._ranges()) if self.same else []
        return Differences(self.fields, ranges, self.unheld, self.same)

    # the heap

    def _blocks(self) -> None:
        if self.a.heap is None or self.b.heap is None:
            return
        self._pairs = {}
        for heap in self.a.heap.all:
            other = self.b.heap.named(heap.name)
            if other is not None:
                self._blocks_of(heap.blocks, other.blocks)

    def _blocks_of(self, ours: Sequence[Block], theirs: Sequence[Block]) -> None:
        pairs = paired(ours, theirs, by_address=self.same)
        self._pairs |= {ours[i].start: theirs[j].start for i, j in pairs}
        self._alone(ours, theirs, pairs)
        for i, j in pairs:
            self._block(ours[i], theirs[j])
        if self.same:
            by_start = {block.start: block for block in theirs}
            for block in ours:
                other = by_start.get(block.start)
                if other is not None and other.header == block.header:
                    self._header(block, other)

    def _alone(
        self, ours: Sequence[Block], theirs: Sequence[Block], pairs: Sequence[tuple[int, int]]
    ) -> None:
        """Used blocks that have no other: what is there instead where that begins there, too."""
        taken = {j for _, j in pairs}
        at = {block.start: block for block in theirs} if self.same else {}
        with_other = {i for i, _ in pairs}
        instead: set[int] = set()
        for block in ours:
            if not block.used or block.index in with_other:
                continue
            there = at.get(block.start)
            if there is not None:
                instead.add(there.index)
            self._block_difference(block, there)
        at = {block.start: block for block in ours} if self.same else {}
        for block in theirs:
            if block.used and block.index not in taken | instead:
                there = at.get(block.start)
                free = there if there is not None and not there.used else None
                self._block_difference(free, block)

    def _block_difference(self, ours: Block | None, theirs: Block | None) -> None:
        start = ours.start if ours is not None else theirs.start if theirs is not None else 0
        a, b = _block_words(ours), _block_words(theirs)
        texts = a or "nothing", b or "nothing"
        self._add(FieldDifference(f"block(0x{start:08X})", start, "block", a, b, texts))

    def _block(self, ours: Block, theirs: Block) -> None:
        path = f"block(0x{ours.start:08X})"
        for name in ("start", "size"):
            a, b = getattr(ours, name), getattr(theirs, name)
            # between builds all lie elsewhere, and structs have other sizes
            if a != b and self.same:
                texts = f"0x{a:X}", f"0x{b:X}"
                self._add(FieldDifference(f"{path}.{name}", ours.start, "block", a, b, texts))
        for led in self._led.get(ours.start, ()):
            other = self._led_b[led.path]
            if other.address == theirs.start:
                self._walk(led.path, led.target, ours.start, other.target, theirs.start)
                break
        structs = [self._owner_struct(m, ours) for m in (self.a, self.b)]
        if structs[0] is not None and structs[1] is not None:
            named = f'at(0x{ours.start:08X}, "{structs[0].type_name}")'
            self._walk(named, structs[0], ours.start, structs[1], theirs.start)

    def _owner_struct(self, moment: Moment, block: Block) -> OffsetStruct | None:
        types = moment.layout.heap_named(block.heap)
        return None if types is None else types.owner.structs.get(block.owner, types.owner.struct)

    def _header(self, ours: Block, theirs: Block) -> None:
        types = self.a.layout.heap_named(ours.heap)
        if types is None or types.block is None or ours.header == ours.start:
            return
        path = f'at(0x{ours.header:08X}, "{types.block.type_name}")'
        self._walk(path, types.block, ours.header, types.block, theirs.header)

    # fields

    def _behind_pointers(self) -> None:
        """What no symbol and no block of the heap has, and a pointer leads to."""
        for at, leading in self._led.items():
            for led in leading:
                other = self._led_b[led.path]
                if _is_nameless(self.a, at) and _is_nameless(self.b, other.address):
                    self._walk(led.path, led.target, at, other.target, other.address)

    def _walk(self, path: str, node: Node, at: int, other: Node, at_b: int) -> None:
        """Compare what stands at two addresses, field by field; those of a name are a pair."""
        if self.same and at == at_b and not self._any(at, size_of(node)):
            return
        if isinstance(node, Array) and isinstance(other, Array):
            size, size_b = size_of(node.subcon), size_of(other.subcon)
            for index in range(min(count_of(node), count_of(other))):
                begin, begin_b = at + index * size, at_b + index * size_b
                self._walk(f"{path}[{index}]", node.subcon, begin, other.subcon, begin_b)
        elif isinstance(node, OffsetStruct) and isinstance(other, OffsetStruct):
            for member in node.members.values():
                theirs = other.members.get(member.name)
                if theirs is not None:
                    below, below_b = at + member.offset, at_b + theirs.offset
                    self._walk(f"{path}.{member.name}", member.type, below, theirs.type, below_b)
        elif isinstance(node, Leaf) and isinstance(other, Leaf):
            self._leaf(path, node, at, other, at_b)

    def _any(self, address: int, length: int) -> bool:
        flat = self.a.memory.map.flat(address, length)
        return flat is None or bool(self._differs[flat : flat + length].any())

    def _leaf(self, path: str, leaf: Leaf, at: int, other: Leaf, at_b: int) -> None:
        stored, stored_b = (
            self.a.memory.stored(at, leaf.size),
            self.b.memory.stored(at_b, other.size),
        )
        if stored is None or stored_b is None or self._is_out(at, leaf.size, at_b, other.size):
            return
        flat = self.a.memory.map.flat(at, leaf.size)
        here = self.same and at == at_b and flat is not None
        bits = (leaf.lowest, leaf.width) if isinstance(leaf, BitField) else (0, leaf.size)
        if (at, at_b, *bits) in self._seen:
            return  # by another name
        self._seen.add((at, at_b, *bits))
        a, b = _value(leaf, stored), _value(other, stored_b)
        if isinstance(leaf, PointerTo) and isinstance(other, PointerTo):
            aims = (
                self.a.aimed_at(int(a), str(leaf.target)),
                self.b.aimed_at(int(b), str(other.target)),
            )
            if self._same_aim(int(a), int(b), *aims):
                return
            texts = aims[0].words, aims[1].words
            if texts[0] == texts[1]:  # of the same name, and yet not the same
                texts = f"{texts[0]} at 0x{a:08X}", f"{texts[1]} at 0x{b:08X}"
            found = FieldDifference(path, at, name_of(leaf), *texts, texts)
        else:
            # a zero with another sign and another NaN are other bits
            if a == b and (stored == stored_b or not isinstance(a, float)):
                return
            texts = _shown(leaf, a), _shown(other, b)
            found = FieldDifference(path, at, name_of(leaf), _plain(a), _plain(b), texts)
        if here and flat is not None:
            self._told[flat : flat + leaf.size] = True
        self._add(found)

    def _same_aim(self, a: int, b: int, aim: Aim, other: Aim) -> bool:
        """Whether two pointers point at the same thing."""
        if self.same and self.a.canonical(a) == self.b.canonical(b):
            return True
        if aim.block is not None and other.block is not None:
            pair = self._pairs.get(aim.block.start)
            return pair == other.block.start and aim.offset == other.offset
        return not self.same and aim == other

    def _is_out(self, at: int, size: int, at_b: int, size_b: int) -> bool:
        for outs, moment, address, length in (
            (self._out[0], self.a, at, size),
            (self._out[1], self.b, at_b, size_b),
        ):
            flat = moment.memory.map.flat(address, length)
            if flat is not None and any(o.start <= flat and flat + length <= o.stop for o in outs):
                return True
        return False

    def _add(self, found: FieldDifference) -> None:
        path = found.path
        if any(path == each or path.startswith((f"{each}.", f"{each}[")) for each in self.ignored):
            return
        self.fields.append(found)

    # bytes

    def _ranges(self) -> Iterator[RawRange]:
        memory = self.a.memory.map
        for region in memory.regions:
            start = memory.flat_starts[region.name]
            part = slice(start, start + region.size)
            places = np.flatnonzero(self._differs[part] & ~self._told[part])
            if not places.size:
                continue
            for run in np.split(places, np.flatnonzero(np.diff(places) > GAP) + 1):
                first, last = int(run[0]), int(run[-1])
                yield RawRange(region.start + first, last - first + 1, len(run))


def _is_nameless(moment: Moment, address: int) -> bool:
    """Whether an address is neither in the heap nor in a symbol."""
    heap = moment.heap
    if heap is not None and heap.at(address) is not None:
        return False
    symbols = moment.layout.symbols.values()
    return not any(s.address <= address < s.address + size_of(s.type) for s in symbols)


def _value(leaf: Leaf, stored: bytes) -> Value:
    value: Value = leaf.value(leaf.packing.unpack(stored)[0])
    return value


def _shown(leaf: Leaf, value: Value) -> str:
    return show_value(value, value_type(leaf), "")


def _plain(value: Value) -> Value:
    """The value for JSON, which has no infinity and no NaN."""
    return value if not isinstance(value, float) or math.isfinite(value) else str(value)


def _block_words(block: Block | None) -> str | None:
    if block is None:
        return None
    return f"{block.owner}, 0x{block.size:X} bytes" if block.used else "free"
