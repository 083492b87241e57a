"""A small guest made by hand, for the tests of the core: its schema, its bytes, its evaluation."""

from __future__ import annotations

import struct
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from adapters.processor_time import processor_time
from bridge.evaluation.evaluator import Evaluator
from bridge.expressions.compiling import check
from bridge.expressions.program import Program
from bridge.memory.address_map import MemoryMap, Region, Span
from bridge.memory.image import Image
from bridge.values.status import Status
from bridge.values.value_type import Value, ValueType
from schemas.compiler import Schema, compile_schema
from schemas.errors import SchemaError
from schemas.schema_file import SchemaFile
from schemas.toml_file import TomlText

SCHEMA = """
[game]
name = "Tidewright"

[memory]
endian = "big"
regions = [
    { name = "ram", start = 0x8000_0000, size = "64 KiB", mirrors = [0xA000_0000] },
    { name = "pad", start = 0x9000_0000, size = 0x1000 },
]

[enums.ActorKind]
base = "u16"
values = { courier = 1, lantern = 2, crate = 3 }

[enums.Tide]
base = "s8"
values = { ebb = -1, slack = 0, flood = 1 }

[flags.ActorFlags]
base = "u32"
bits = { visible = 0, carried = 3, harmless = 31 }

[structs.Vec3.fields]
x = { at = 0x0, type = "f32" }
y = { at = 0x4, type = "f32" }
z = { at = 0x8, type = "f32" }

[structs.Actor]
size = 0x80
[structs.Actor.fields]
kind     = { at = 0x00, type = "ActorKind" }
tide     = { at = 0x02, type = "Tide" }
small    = { at = 0x03, type = "u8" }
flags    = { at = 0x04, type = "ActorFlags" }
name     = { at = 0x08, type = "char[8]" }
position = { at = 0x10, type = "Vec3" }
facing   = { at = 0x1C, type = "angle16" }
depth    = { at = 0x1E, type = "s16" }
held     = { at = 0x20, type = "Actor*" }
next     = { at = 0x24, type = "Actor*" }
word     = { at = 0x28, type = "u32" }
big      = { at = 0x30, type = "u64" }
drift    = { at = 0x38, type = "s64" }
real     = { at = 0x40, type = "f64" }
fine     = { at = 0x48, type = "q16.16" }
hue      = { at = 0x4C, type = "u32", bits = [27, 5] }
lean     = { at = 0x4C, type = "s32", bits = [10, 6] }
mode     = { at = 0x50, type = "ActorKind", bits = [2, 3] }
part     = { at = 0x54, type = "ActorFlags", bits = [2, 4] }
trim     = { at = 0x58, type = "s16[4]" }
grid     = { at = 0x60, type = "u8[2][3]" }
watchers = { at = 0x68, type = "Actor*[2]" }
holder   = { at = 0x70, type = "Actor**" }

[moves.quarter]
add = 0x4000
frames = 8

[symbols]
courier = "Actor"
head    = "Actor*"
nothing = "Actor*"
wild    = "Actor*"
odd     = "Actor*"
half    = "Actor*"
edge    = "Actor*"
ring    = "Actor*"
broken  = "f32"
endless = "f32"
mirror  = "Actor*"
padded  = "Actor*"
numbers = "u32*"
step    = "s32"
frame   = "u32"

[builds.only]
at.courier = 0x8000_1000
at.head    = 0x8000_0100
at.nothing = 0x8000_0104
at.wild    = 0x8000_0108
at.odd     = 0x8000_010C
at.half    = 0x8000_0110
at.edge    = 0x8000_0114
at.ring    = 0x8000_0118
at.broken  = 0x8000_011C
at.endless = 0x8000_0120
at.mirror  = 0x8000_0124
at.padded  = 0x8000_0128
at.numbers = 0x8000_012C
at.step    = 0x8000_0130
at.frame   = 0x8000_0134
"""
COURIER, LANTERN, CRATE, RING, PADDED = (
    0x8000_1000,
    0x8000_2000,
    0x8000_3000,
    0x8000_4000,
    0x9000_0080,
)


@dataclass(frozen=True)
class Outcome:
    """What a watch gave."""

    status: Status
    value: Value | None
    reason: str
    address: int | None
    cause: str = ""


def compiled(text: str) -> Schema:
    """A schema from its text."""
    toml = TomlText(Path("guest.schema.toml"), text, SchemaError)
    return compile_schema(toml.model(SchemaFile), toml)


def map_of(schema: Schema) -> MemoryMap:
    regions = schema.file.memory.regions
    return MemoryMap([Region(r.name, r.start, r.size, r.mirrors) for r in regions])


class Guest:
    """A schema's first build and the bytes of its memory, zero where nothing is poked."""

    def __init__(self, text: str = SCHEMA) -> None:
        self.schema = compiled(text)
        self.layout = next(iter(self.schema.builds.values()))
        self.memory = map_of(self.schema)
        self.bytes = bytearray(self.memory.flat_size)

    def poke(self, address: int, form: str, *values: int | float | bytes) -> None:
        """Store values at an address, in the guest's order, in a format of ``struct``."""
        data = struct.pack(self.layout.order + form, *values)
        flat = self.memory.flat(address, len(data))
        assert flat is not None
        self.bytes[flat : flat + len(data)] = data

    def program(self, watches: Mapping[str, str]) -> Program:
        return check(self.layout, watches)

    def part(self, span: Span) -> bytes:
        flat = self.memory.flat(span.address, span.length)
        assert flat is not None
        return bytes(self.bytes[flat : flat + span.length])

    def image(self) -> Image:
        """All of the memory."""
        return Image.of(self.memory, [self.part(span) for span in self.memory.whole()])

    def run(
        self, watches: Mapping[str, str], *, whole: bool, absent: frozenset[int] = frozenset()
    ) -> Run:
        return Run(self, watches, whole, absent)

    def outcome(self, expression: str, *, whole: bool) -> Outcome:
        run = self.run({"watch": expression}, whole=whole)
        run.frame()
        return run["watch"]

    def type_of(self, expression: str) -> ValueType:
        program = self.program({"watch": expression})
        return program.slots[program.watches["watch"]].type


class Run:
    """Watches of one guest, evaluated frame after frame.  ``batches`` counts those of the last."""

    def __init__(
        self, guest: Guest, watches: Mapping[str, str], whole: bool, absent: frozenset[int]
    ) -> None:
        self.guest = guest
        self.program = guest.program(watches)
        self.evaluator = Evaluator(
            self.program, guest.layout, guest.memory, whole=whole, processor_time=processor_time
        )
        self.batches = 0
        self._whole = whole
        self._absent = absent

    def frame(self, number: int = 1, *, commit: bool = True) -> None:
        guest, evaluator = self.guest, self.evaluator
        self.batches = 0
        if self._whole:
            assert evaluator.evaluate(guest.image(), number) == set()
        else:
            image = Image(guest.memory)
            missing = evaluator.evaluate(image, number)
            while missing:
                self.batches += 1
                assert self.batches < 10_000
                for line in missing:
                    (span,) = guest.memory.spans([line])
                    image.put(span, None if line in self._absent else guest.part(span))
                missing = evaluator.evaluate(image, number, again=True)
        if commit:
            evaluator.commit()

    def __getitem__(self, watch: str) -> Outcome:
        slot = self.program.watches[watch]
        fault = self.evaluator.faults[slot]
        value, address = self.evaluator.values[slot], self.evaluator.addresses[slot]
        caution = self.evaluator.cautions.get(slot)
        if fault is None and caution is not None:
            return Outcome(caution.status, value, caution.reason, address)
        if fault is None:
            return Outcome(Status.OK, value, "", address)
        return Outcome(fault.status, fault.value, fault.reason, address, fault.cause)


def tidewright() -> Guest:
    """The guest of SCHEMA in a state that the tests know."""
    guest = Guest()
    guest.poke(COURIER, "HbB I 8s fff Hh II I", 1, -1, 200, 9, b"Wren", 1.5, 2.25, -3.0, 0x4000,
               -5, LANTERN, LANTERN, 0xDEAD_BEEF)  # fmt: skip
    guest.poke(COURIER + 0x30, "Q", 0x0123_4567_89AB_CDEF)
    guest.poke(COURIER + 0x38, "q", -2)
    guest.poke(COURIER + 0x40, "d", 0.1)
    guest.poke(COURIER + 0x48, "i", 0x0001_4000)
    guest.poke(COURIER + 0x4C, "I", 21 << 27 | 0x3D << 10)
    guest.poke(COURIER + 0x50, "H", 2 << 2)
    guest.poke(COURIER + 0x54, "I", 0x9)
    guest.poke(COURIER + 0x58, "hhhh", 10, -20, 30, -40)
    guest.poke(COURIER + 0x60, "BBBBBB", 1, 2, 3, 4, 5, 6)
    guest.poke(COURIER + 0x68, "III", LANTERN, 0, COURIER + 0x20)
    guest.poke(LANTERN, "HbB I 8s fff Hh II I", 2, 1, 1, 0, b"Ember", 4.5, 6.25, 1.0, 0xC000,
               8, 0, CRATE, 7)  # fmt: skip
    guest.poke(CRATE, "HbB I 8s fff Hh II I", 3, 0, 2, 1, b"Crate", 0.1, 0.0, 0.0, 0x0001,
               -1, 0, 0, 9)  # fmt: skip
    guest.poke(RING + 0x24, "II", RING + 0x100, 5)
    guest.poke(RING + 0x124, "II", RING, 6)
    guest.poke(PADDED, "H", 2)
    guest.poke(PADDED + 0x28, "I", 77)
    guest.poke(
        0x8000_0100,
        "IIIIIII ff IIIiI",
        *(LANTERN, 0, 0x1234_5678, COURIER + 1, COURIER + 4, 0x8000_FFF0, RING),
        *(float("nan"), float("-inf")),
        *(0xA000_2000, PADDED, COURIER + 0x28, -1, 60),
    )
    return guest
