"""A schema, a bridge file, a dump and kept attempts whose every free text is as rude as can be."""

from __future__ import annotations

import contextlib
import copy
import json
import struct
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from adapters.practice_log.database import open_for_writing, write_attempt
from bridge.practice.attempts import Attempt, Kept, Outcome
from bridge.practice.steps import StepOutcome, StepResult
from bridge.practice.windows import Window
from tests.evil_texts import EVIL, LONE

BASE, SIZE = 0x8000_0000, 0x4000
NAME, HEADERS = 0x1000, 0x2000
GUEST = EVIL.encode()[:188]

SCHEMA = """
[game]
name = "Tidewright"
[memory]
endian = "big"
regions = [ { name = "ram", start = 0x8000_0000, size = 0x4000, mirrors = [0xA000_0000] } ]
[enums.ActorKind]
base = "u16"
values = { courier = 1, lantern = 2 }
[flags.ActorFlags]
base = "u16"
bits = { visible = 0 }
[structs.BlockHeader]
size = 0x10
[structs.BlockHeader.fields]
used = { at = 0x0, type = "u32", doc = "not zero" }
size = { at = 0x4, type = "u32" }
next = { at = 0x8, type = "BlockHeader*" }
[symbols]
name = "char[188]"
heap_head = "BlockHeader*"
kind = "ActorKind"
flags = "ActorFlags"
[heap]
block = "BlockHeader"
first = "heap_head"
next = "block.next"
size = "block.size"
used = "block.used != 0"
payload = "address(block) + 0x10"
owner = { sizes = { lantern = 0x20, gull = 0x40 } }
[allocator]
header = 0x10
least_rest = 0x10
arena = { from = "heap_head", to = 0x80002090 }
held = "heap_head"
sizes = { lantern = 0x20 }
[state]
pier = "kind"
[actions.call]
doc = "a crumb"
frames = 4
needs = { pier = 1 }
sets = { pier = 2 }
effects = [ { free = [ "lantern" ], which = "all" }, { alloc = "lantern" } ]
[builds.print]
title = "First print"
recognise = [ { at = 0x8000_0400, text = "TIDE 1.0" } ]
at = { name = 0x8000_1000, heap_head = 0x8000_0500, kind = 0x8000_0510, flags = 0x8000_0512 }
[moves.left]
add = 0x800
frames = 4
"""

BRIDGE = """
schema = "t.schema.toml"
build = "auto"
[source]
kind = "file"
path = "t.bin"
[sampling]
rate = 60
[[watches]]
name = "named"
label = "Name"
group = "Pier"
expr = "name"
[[watches]]
name = "kinds"
label = "Kind"
expr = "kind"
show = "name"
target = { equals = 2 }
[[watches]]
name = "common"
expr = "tally(name, kind == 1)"
[[steps]]
name = "corner"
done = "kind == 2"
hint = "hug the wall"
[attempts]
begins = "change(kind) > 0"
keep = ["named"]
[learn]
keys = { "1" = "call" }
[outputs.mqtt]
url = "mqtt://127.0.0.1:1883"
[outputs.overlay]
listen = "127.0.0.1:7365"
"""

Table = dict[str, Any]


def dump() -> bytes:
    """The guest's memory: a rude name, and a heap of two blocks."""
    data = bytearray(SIZE)
    data[0x400:0x408] = b"TIDE 1.0"
    data[NAME : NAME + len(GUEST)] = GUEST
    struct.pack_into(">I", data, 0x500, BASE + HEADERS)
    struct.pack_into(">H", data, 0x510, 1)
    struct.pack_into(">III", data, HEADERS, 1, 0x20, BASE + HEADERS + 0x30)
    struct.pack_into(">III", data, HEADERS + 0x30, 1, 0x40, 0)
    return bytes(data)


def toml(table: Table) -> str:
    """A table as TOML, all of whose strings and keys are written with escapes."""
    return "".join(f"{_string(key)} = {_value(value)}\n" for key, value in table.items())


def _value(value: Any) -> str:
    if isinstance(value, dict):
        return "{" + ", ".join(f"{_string(k)} = {_value(v)}" for k, v in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(map(_value, value)) + "]"
    return _string(value) if isinstance(value, str) else json.dumps(value)


def _string(text: str) -> str:
    return '"' + "".join(f"\\U{ord(letter):08X}" for letter in text) + '"'


def variants(text: str) -> Iterator[tuple[str, Table]]:
    """The file *text* with one string or one key after the other made rude; where, and the file."""
    whole = tomllib.loads(text)
    for path in _paths(whole):
        changed = copy.deepcopy(whole)
        inner: Any = changed
        for key in path[:-1]:
            inner = inner[key]
        last = path[-1]
        where = ".".join(map(str, path))
        if isinstance(last, str):
            renamed = {EVIL if key == last else key: value for key, value in inner.items()}
            held = inner[last]
            inner.clear()
            inner.update(renamed)
            yield f"key {where}", copy.deepcopy(changed)
            inner[last] = held
            inner.pop(EVIL)
        if isinstance(inner[last], str):
            inner[last] = EVIL
            yield f"text {where}", changed


def _paths(value: Any, before: tuple[str | int, ...] = ()) -> Iterator[tuple[str | int, ...]]:
    items: list[tuple[str | int, Any]] = []
    if isinstance(value, dict):
        items = list(value.items())
    elif isinstance(value, list):
        items = list(enumerate(value))
    for key, held in items:
        yield (*before, key)
        yield from _paths(held, (*before, key))


def write(directory: Path, schema: Table | None = None, bridge: Table | None = None) -> Path:
    """The files; gives the bridge file's path."""
    (directory / "t.schema.toml").write_text(toml(schema or tomllib.loads(SCHEMA)), "utf-8")
    (directory / "t.bin").write_bytes(dump())
    path = directory / "t.bridge.toml"
    path.write_text(toml(bridge or tomllib.loads(BRIDGE)), "utf-8")
    return path


def keep_attempts(path: Path) -> None:
    """An attempts file whose every text is rude, as another program could write it."""
    timing = Window(11, 14).judge(12)
    results = tuple(
        StepResult(f"{EVIL}{n}", StepOutcome.DONE, 0, 60, 1.0, timing=timing) for n in range(2)
    )
    values = (
        Kept("named", "ok", "Wren" + EVIL + LONE, EVIL + LONE),
        Kept(EVIL, EVIL, "=1+1", "=1+1"),
        Kept("deep", "ok", -5, "-5"),
    )
    attempt = Attempt(
        *(1, "=" + EVIL, 1200, 1000.25, Outcome.FAILED, EVIL, "@" + EVIL),
        frames=90,
        seconds=1.5,
        steps=results,
        kept=values,
    )
    with contextlib.closing(open_for_writing(path).connection) as connection:
        write_attempt(connection, attempt)
        # the command makes one line of it; another program need not
        connection.execute("INSERT INTO session_note VALUES (1, ?)", ("=" + EVIL,))
