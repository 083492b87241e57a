"""Heaps made by hand, for the tests of the walk: the schema, the bytes, a plain Python model."""

from __future__ import annotations

import struct
from collections.abc import Sequence
from dataclasses import dataclass, replace

from tests.bridge.made_guest import Guest

HEAD = 0x8000_0100
HELD = 0x8000_0108
POINTER = 0x8000_0110
ARENA = 0x8001_0000
MAGIC = 0x7B10
KINDS = {"courier": 1, "lantern": 2, "crate": 3, "gull": 4, "buoy": 5, "mist_puff": 6}

_SCHEMA = """
[game]
name = "Tidewright"
[memory]
endian = "{endian}"
pointer_size = {pointer}
regions = [
    {{ name = "ram", start = 0x8000_0000, size = "{size}", mirrors = [0xA000_0000] }},
    {{ name = "pad", start = 0x9000_0000, size = 0x1000 }},
]
[enums.ActorKind]
base = "u16"
values = {{ courier = 1, lantern = 2, crate = 3, gull = 4, buoy = 5, mist_puff = 6 }}
[structs.BlockHeader]
size = {header}
[structs.BlockHeader.fields]
magic  = {{ at = 0x0, type = "u16" }}
used   = {{ at = 0x2, type = "u8" }}
reuses = {{ at = 0x3, type = "u8" }}
size   = {{ at = 0x4, type = "u32" }}
next   = {{ at = 0x8, type = "BlockHeader*" }}
[structs.Actor]
size = 0x40
[structs.Actor.fields]
kind   = {{ at = 0x00, type = "ActorKind" }}
word   = {{ at = 0x04, type = "u32" }}
held   = {{ at = 0x08, type = "Actor*" }}
next   = {{ at = 0x10, type = "Actor*" }}
trail  = {{ at = 0x18, type = "u32[4]" }}
[structs.Lantern.fields]
actor = {{ at = 0x00, type = "Actor" }}
fuel  = {{ at = 0x40, type = "f32" }}
[symbols]
heap_head = "BlockHeader*"
held      = "Actor*"
pointer   = "u32*"
word      = "u32"
[heap]
block      = "BlockHeader"
first      = "heap_head"
next       = "block.next"
size       = "block.size"
used       = "block.used != 0"
payload    = "address(block) + {header}"
alignment  = 16
magic      = "block.magic == 0x7B10"
generation = "block.reuses"
{owner}
[builds.only]
at.heap_head = 0x8000_0100
at.held      = 0x8000_0108
at.pointer   = 0x8000_0110
at.word      = 0x8000_0118
"""
BY_KIND = 'owner = { struct = "Actor", field = "kind", structs = { lantern = "Lantern" } }'
BY_SIZE = "owner = { sizes = { gull = 0x31, lantern = 0x60 } }"


@dataclass(frozen=True)
class Made:
    """A block to be: ``kind`` is the number in the payload's first two bytes."""

    size: int
    used: bool = True
    kind: int = 4
    reuses: int = 1
    magic: int = MAGIC
    next: int | None = None
    """Where its header leads, None for the block that follows."""


def schema_text(
    endian: str = "big", pointer: int = 4, owner: str = BY_KIND, size: str = "1 MiB"
) -> str:
    """The schema of a guest with a heap; a header has 0x10 bytes, with long pointers 0x20."""
    header = 0x10 if pointer == 4 else 0x20
    return _SCHEMA.format(endian=endian, pointer=pointer, owner=owner, size=size, header=header)


class HeapGuest(Guest):
    """A guest with one list of blocks that lie one behind the other from ARENA on."""

    def __init__(
        self,
        *,
        endian: str = "big",
        pointer: int = 4,
        owner: str = BY_KIND,
        size: str = "1 MiB",
        change: tuple[str, str] = ("", ""),
    ) -> None:
        self.header = 0x10 if pointer == 4 else 0x20
        text = schema_text(endian, pointer, owner, size)
        assert change[0] in text
        super().__init__(text.replace(*change) if change[0] else text)
        self.pointer_form = {4: "I", 8: "Q"}[pointer]
        self.headers: list[int] = []

    def heap(self, blocks: Sequence[Made], base: int = ARENA) -> None:
        """Lay the blocks out from *base* on, each behind the other, and make the list."""
        address, self.headers = base, []
        for block in blocks:
            self.headers.append(address)
            address += self.header + block.size
        self.poke(HEAD, self.pointer_form, self.headers[0] if blocks else 0)
        following = [*self.headers, 0][1:]
        for header, after, block in zip(self.headers, following, blocks, strict=True):
            after = after if block.next is None else block.next
            self.poke(header, "HBBI", block.magic, block.used, block.reuses, block.size)
            self.poke(header + 8, self.pointer_form, after)
            if block.size >= 2:
                self.poke(header + self.header, "H", block.kind)

    def start(self, index: int) -> int:
        """The payload's address of a block."""
        return self.headers[index] + self.header

    def aim(self, address: int, pointer: int = HELD) -> None:
        """Write a pointer."""
        self.poke(pointer, self.pointer_form, address)


def gulls(count: int, size: int = 0x30) -> list[Made]:
    return [Made(size) for _ in range(count)]


def changed(blocks: Sequence[Made], index: int, **fields: int | bool) -> list[Made]:
    """The same blocks, one of them changed."""
    made = list(blocks)
    made[index] = replace(made[index], **fields)  # type: ignore[arg-type]
    return made


def plain_walk(
    ram: bytes | bytearray, order: str, pointer: int, head: int, base: int
) -> list[tuple[int, int, bool, int]]:
    """Start, size, use and kind by hand, with ``struct`` and nothing else."""
    form = struct.Struct(f"{order}HBBI{'I' if pointer == 4 else 'Q'}")
    header, found = 0x10 if pointer == 4 else 0x20, []
    while head:
        _, used, _, size, following = form.unpack_from(ram, head - base)
        start = head + header
        (kind,) = struct.unpack_from(f"{order}H", ram, start - base)
        found.append((start, size, used != 0, kind))
        head = following
    return found
