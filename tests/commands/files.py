"""A small schema, bridge file and dump for the tests of the commands."""

from __future__ import annotations

import struct
from pathlib import Path

BASE = 0x8000_0000
COURIER, LANTERN = 0x1000, 0x2000
SIZE = 0x4000

SCHEMA = """
[game]
name = "Tidewright"
[memory]
endian = "big"
regions = [ { name = "ram", start = 0x8000_0000, size = 0x4000, mirrors = [0xA000_0000] } ]
[enums.ActorKind]
base = "u16"
values = { courier = 1, lantern = 2 }
[structs.Vec3.fields]
x = { at = 0x0, type = "f32" }
y = { at = 0x4, type = "f32" }
z = { at = 0x8, type = "f32" }
[structs.Actor]
size = 0x1A0
[structs.Actor.fields]
kind = { at = 0x000, type = "ActorKind" }
position = { at = 0x02C, type = "Vec3" }
facing = { at = 0x0B6, type = "angle16" }
held = { at = 0x13C, type = "Actor*" }
[symbols]
courier = "Actor"
[builds.first-print]
recognise = [ { at = 0x8000_0400, text = "TIDE 1.0" } ]
at = { courier = 0x8000_1000 }
[builds.export]
recognise = [ { at = 0x8000_0400, text = "TIDE 2.0" } ]
at = { courier = 0x8000_1800 }
"""

BRIDGE = """
schema = "t.schema.toml"
[source]
kind = "file"
path = "t.bin"
[[watches]]
name = "low_x"
label = "Written half"
expr = "low(courier.held.position.x)"
show = "hex"
target = { equals = 0xF3B6 }
[[watches]]
name = "kind"
expr = "courier.held.kind"
"""


def ram(held: int = BASE + LANTERN) -> bytearray:
    """Memory in which the courier holds what is at *held*; a lantern lies at LANTERN."""
    data = bytearray(SIZE)
    data[0x400:0x408] = b"TIDE 1.0"
    struct.pack_into(">H", data, COURIER, 1)
    struct.pack_into(">I", data, COURIER + 0x13C, held)
    struct.pack_into(">H", data, LANTERN, 2)
    struct.pack_into(">I", data, LANTERN + 0x2C, 0x3F9DF3B6)
    return data


def write(directory: Path, data: bytes | None = None, bridge: str = BRIDGE) -> Path:
    """The three files; gives the bridge file's path."""
    (directory / "t.schema.toml").write_text(SCHEMA, "utf-8")
    (directory / "t.bin").write_bytes(bytes(ram()) if data is None else data)
    path = directory / "t.bridge.toml"
    path.write_text(bridge, "utf-8")
    return path
