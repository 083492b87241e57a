"""Every fault of a bridge file: the exact text, with file, line, key, and the nearest name."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from bridge.prepared import prepare
from schemas.errors import BridgeFileError, SchemaError
from schemas.loader import load_bridge

SCHEMA = """\
[game]
name = "Tidewright"
[memory]
endian = "big"
regions = [ { name = "ram", start = 0x8000_0000, size = "4 MiB" } ]
[enums.Kind]
base = "u8"
values = { courier = 1, lantern = 2 }
[flags.Flags]
base = "u8"
bits = { lit = 0 }
[structs.Actor.fields]
kind = { at = 0x00, type = "Kind" }
flags = { at = 0x01, type = "Flags" }
facing = { at = 0x02, type = "angle16" }
name = { at = 0x04, type = "char[8]" }
x = { at = 0x0C, type = "f32" }
depth = { at = 0x10, type = "s16" }
[symbols]
courier = "Actor"
frame_began = "u32"
frame_ended = "u32"
[builds.print]
at = { courier = 0x8010_0000, frame_began = 0x8010_0100, frame_ended = 0x8010_0104 }
"""
GOOD = """\
schema = "tidewright.schema.toml"
build = "auto"
[source]
kind = "file"
path = "dawn.bin"
[sampling]
rate = 60
frame = "frame_began"
guard = { began = "frame_began", ended = "frame_ended" }
[[watches]]
name = "east"
label = "East"
expr = "courier.x"
show = "fixed:2"
target = { near = 120.0, within = 0.5 }
[[watches]]
name = "kind"
expr = "courier.kind"
[outputs.overlay]
listen = "127.0.0.1:0"
[outputs.mqtt]
max_rate = 5
"""
FILE = "dawn.bridge.toml"


def write(directory: Path, text: str, schema: str = SCHEMA) -> Path:
    (directory / "tidewright.schema.toml").write_text(schema, encoding="utf-8")
    path = directory / FILE
    path.write_text(text, encoding="utf-8")
    return path


def fault(directory: Path, text: str) -> str:
    path = write(directory, text)
    with pytest.raises(BridgeFileError) as caught:
        prepare(load_bridge(path))
    assert caught.value.file == str(path)
    return str(caught.value).replace(f"{directory}{os.sep}", "")


def test_the_file_that_all_of_these_change_is_good(tmp_path: Path) -> None:
    bridge = load_bridge(write(tmp_path, GOOD))
    assert bridge.name == "dawn"
    assert [watch.name for watch in prepare(bridge)["print"].watches] == ["east", "kind"]


KINDS = "file, folder, shared, push, serial, debugger, process, recording, typed, none, fake"
TARGET = "target = { near = 120.0, within = 0.5 }"
CASES: list[tuple[str, str, str]] = [
    # unknown keys, at every level
    ("build =", "biuld = 1\nbuild =", "2: biuld: unknown key; did you mean build?"),
    ('path = "', 'pth = 1\npath = "', "5: source.pth: unknown key; did you mean path?"),
    ("rate = 60", "rates = 1\nrate = 60", "7: sampling.rates: unknown key; did you mean rate?"),
    ("guard = { ", "guard = { beg = 1, ",
     "9: sampling.guard.beg: unknown key; did you mean began?"),
    ('label = "East"', "lable = 1", "12: watches.0.lable: unknown key; did you mean label?"),
    ('name = "kind"\n', 'name = "kind"\nshwo = "hex"\n',
     "18: watches.1.shwo: unknown key; did you mean show?"),
    ("near = 120.0,", "naer = 1, near = 120.0,",
     "15: watches.0.target.naer: unknown key; did you mean near?"),
    ("[outputs.mqtt]\nmax_rate = 5", "[outputs.mqt]",
     "21: outputs.mqt: unknown key; did you mean mqtt?"),
    ("max_rate = 5", "max_rats = 5",
     "22: outputs.mqtt.max_rats: unknown key; did you mean max_rate?"),
    ("max_rate = 5", 'password = "x"',
     "22: outputs.mqtt.password: unknown key; known: device, heap_events, max_rate, url, user"),
    ("[outputs.mqtt]", "[learn.door]\nwen = 1\n[outputs.mqtt]",
     "22: learn.door.wen: unknown key; did you mean when?"),
    # keys of actions
    ("[outputs.mqtt]", '[learn]\nkeys = { "k" = "door" }\n[outputs.mqtt]',
     "22: learn.keys.k: the key k does something else already; digits are free"),
    ("[outputs.mqtt]", '[learn]\nkeys = { "F1" = "door" }\n[outputs.mqtt]',
     "22: learn.keys.F1: a key is one letter, digit or sign"),
    ("[outputs.mqtt]", '[learn]\nkeys = { "\u0301" = "door" }\n[outputs.mqtt]',
     "22: learn.keys.\u0301: a key is one letter, digit or sign"),
    ("[outputs.mqtt]", '[learn]\nkeys = { "1" = "the door" }\n[outputs.mqtt]',
     '22: learn.keys.1: expected a name of letters, digits and _, found "the door"'),
    ("[outputs.mqtt]", "[learn]\nwithin = -1\n[outputs.mqtt]",
     "22: learn.within: expected at least 0, found -1"),
    ("[outputs.mqtt]", "[learn]\ndoor = 5\n[outputs.mqtt]",
     "22: learn.door: expected a table, found 5"),
    # sources
    ('kind = "file"', 'kind = "fiel"',
     f'3: source: expected one of {KINDS}, found "fiel"; did you mean file?'),
    ('kind = "file"', 'kind = "telepathy"',
     f'3: source: expected one of {KINDS}, found "telepathy"'),
    ('kind = "file"\n', "", "3: source: is missing its kind"),
    ('path = "dawn.bin"\n', "", "3: source.path: is missing"),
    ('path = "dawn.bin"', 'path = "dawn.bin"\nbyte_order = "swap8"',
     "6: source.byte_order: expected one of big, swap16, swap32, halfswap, auto, "
     'found "swap8"; did you mean swap32?'),
    ('path = "dawn.bin"', 'path = "dawn.bin"\noffset = "1 kB"',
     '6: source.offset: expected a count such as 4096 or "4 MiB", found "1 kB"'),
    ('[source]\nkind = "file"\npath = "dawn.bin"\n', "", "source: is missing"),
    # wrong types and ranges
    ('schema = "tidewright.schema.toml"\n', "", "schema: is missing"),
    ('schema = "tidewright.schema.toml"', "schema = 1", "1: schema: expected a text, found 1"),
    ("rate = 60", "rate = 0", "7: sampling.rate: expected more than 0.0, found 0"),
    ("rate = 60", "rate = 241", "7: sampling.rate: expected at most 240.0, found 241"),
    ("rate = 60", 'rate = "60"', '7: sampling.rate: expected a number, found "60"'),
    (', ended = "frame_ended"', "", "9: sampling.guard.ended: is missing"),
    ('expr = "courier.x"\n', "", "10: watches.0.expr: is missing"),
    ('expr = "courier.x"', "expr = 5", "13: watches.0.expr: expected a text, found 5"),
    ('name = "east"', 'name = "east side"',
     '11: watches.0.name: expected a name of letters, digits and _, found "east side"'),
    ('name = "east"', 'name = "not"',
     '11: watches.0.name: "not" is a word of the expression language; choose another name'),
    ("[outputs.overlay]\nlisten", "[outputs]\noverlay = 1\n[outputs.json]\nlisten",
     "20: outputs.overlay: expected a table, found 1 (and 1 more fault in this file)"),
    # watches
    ('name = "kind"', 'name = "east"', "17: watches.1.name: two watches are named east"),
    ('name = "kind"', 'name = "courier"',
     "17: watches.1.name: courier is already the name of a symbol of the schema"),
    ('name = "kind"', 'name = "Kind"',
     "17: watches.1.name: Kind is already the name of an enumeration of the schema"),
    ('expr = "courier.kind"', 'expr = "1 + courier.kin"',
     "18: watches.1.expr: watch kind: Actor has no field kin; did you mean kind?\n"
     "    1 + courier.kin\n        ^"),
    ('expr = "courier.kind"', 'expr = "1 + kind"', "18: watches.1.expr: watch kind: "
     "watches use each other in a circle: kind → kind\n    1 + kind\n        ^"),
    # show
    ('show = "fixed:2"', 'show = "octal"',
     "14: watches.0.show: expected decimal, hex, binary, degrees, name or fixed:N with N decimals "
     '(0 to 20), found "octal"'),
    ('show = "fixed:2"', 'show = "fixed:21"',
     "14: watches.0.show: expected decimal, hex, binary, degrees, name or fixed:N with N decimals "
     '(0 to 20), found "fixed:21"'),
    ('show = "fixed:2"', 'show = "name"',
     "14: watches.0.show: watch east: f32 has no names to show"),
    ('expr = "courier.kind"', 'expr = "courier.name"\nshow = "hex"',
     "19: watches.1.show: watch kind: a char[8] cannot be shown as hex"),
    ('expr = "courier.kind"', 'expr = "courier.x * 2"\nshow = "binary"',
     "19: watches.1.show: watch kind: a computed float has no stored bits to show"),
    # targets
    (TARGET, "target = {}",
     "15: watches.0.target: expected exactly one of equals, between and near"),
    (TARGET, "target = { equals = 1, near = 2 }",
     "15: watches.0.target: expected exactly one of equals, between and near"),
    (TARGET, "target = { near = 1 }", "15: watches.0.target: near and within go together"),
    (TARGET, "target = { equals = 1, within = 1 }",
     "15: watches.0.target: near and within go together"),
    (TARGET, "target = { near = 1, within = -1 }",
     "15: watches.0.target: watch east: within must not be negative, found -1"),
    (TARGET, "target = { near = nan, within = 1 }",
     "15: watches.0.target: watch east: expected a finite number, found nan"),
    (TARGET, "target = { near = 1, within = inf }",
     "15: watches.0.target: watch east: expected a finite number, found inf"),
    (TARGET, "target = { between = [2, 1] }",
     "15: watches.0.target: watch east: the range from 2 to 1 is empty"),
    (TARGET, "target = { between = [1, 1e39] }",
     "15: watches.0.target: watch east: 1e+39 is outside the range of f32"),
    (TARGET, 'target = { equals = "lantern" }',
     "15: watches.0.target: watch east: expected a value of type f32, found 'lantern'"),
    (TARGET, 'target = { near = "x", within = 1 }',
     '15: watches.0.target.near: expected a number, found "x"'),
    (TARGET, "target = { equals = [1] }",
     "15: watches.0.target.equals: expected a number, true or false, or a text, "
     "found an array of 1"),
    (TARGET, "target = { between = 1 }",
     "15: watches.0.target.between: expected an array, found 1"),
    ('expr = "courier.kind"', 'expr = "courier.kind"\ntarget = { equals = "crate" }',
     "19: watches.1.target: watch kind: crate is not one of courier, lantern"),
    ('expr = "courier.kind"', 'expr = "courier.kind"\ntarget = { between = [1, 2] }',
     "19: watches.1.target: watch kind: a value of type Kind has no distances; use equals"),
    ('expr = "courier.kind"', 'expr = "courier.depth"\ntarget = { equals = 40000 }',
     "19: watches.1.target: watch kind: 40000 is outside -32768 to 32767, all that s16 can hold"),
    ('expr = "courier.kind"', 'expr = "courier.depth"\ntarget = { equals = 0.5 }',
     "19: watches.1.target: watch kind: 0.5 is not a whole number, which s16 always is"),
    ('expr = "courier.kind"', 'expr = "courier.flags.lit"\ntarget = { equals = 2 }',
     "19: watches.1.target: watch kind: expected true or false, found 2"),
    # schema, build, sampling
    ('schema = "tidewright.schema.toml"', 'schema = "tidewrite.schema.toml"',
     "1: schema: there is no file tidewrite.schema.toml"),
    ('build = "auto"', 'build = "pront"',
     '2: build: the schema has no build "pront"; did you mean print?'),
    ('build = "auto"', 'build = "second"',
     '2: build: the schema has no build "second"; known: auto, print'),
    ('frame = "frame_began"\n', 'frame = "frame_begun"\n',
     "8: sampling.frame: unknown name frame_begun; did you mean frame_began?"),
    ('frame = "frame_began"\n', 'frame = "courier.x"\n',
     "8: sampling.frame: courier.x is not an unsigned integer at a fixed address, which a "
     "counter must be"),
    ('ended = "frame_ended"', 'ended = "courier.depth"',
     "9: sampling.guard.ended: courier.depth is not an unsigned integer at a fixed address, "
     "which a counter must be"),
]  # fmt: skip


@pytest.mark.parametrize(("old", "new", "message"), CASES)
def test_a_fault_is_told_with_its_line_and_key(
    tmp_path: Path, old: str, new: str, message: str
) -> None:
    assert GOOD.count(old) >= 1
    colon = ":" if message[0].isdigit() else ": "
    assert fault(tmp_path, GOOD.replace(old, new, 1)) == f"{FILE}{colon}{message}"


def test_a_fault_in_one_build_names_the_build(tmp_path: Path) -> None:
    schema = SCHEMA.replace(
        'depth = { at = 0x10, type = "s16" }',
        'depth = { at = 0x10, type = "s16" }\nboat = { at = 0x14, type = "u32" }',
    )
    schema += "[builds.export]\nat.courier = 0x8010_0000\n"
    schema += "at.frame_began = 0x8010_0100\nat.frame_ended = 0x8010_0104\n"
    path = write(tmp_path, GOOD.replace("courier.kind", "courier.boats"), schema)
    with pytest.raises(BridgeFileError) as caught:
        prepare(load_bridge(path))
    assert caught.value.detail == (
        "watch kind (build print): Actor has no field boats; did you mean boat?\n"
        "    courier.boats\n    ^"
    )


def test_a_fault_of_the_schema_is_a_schema_error(tmp_path: Path) -> None:
    path = write(tmp_path, GOOD, SCHEMA.replace('type = "f32"', 'type = "f33"'))
    with pytest.raises(SchemaError) as caught:
        load_bridge(path)
    assert str(caught.value) == (
        f"{tmp_path / 'tidewright.schema.toml'}:17: structs.Actor.fields.x.type: "
        "unknown type f33; did you mean f32?"
    )


def test_what_cannot_be_read(tmp_path: Path) -> None:
    with pytest.raises(BridgeFileError) as caught:
        load_bridge(tmp_path / "none.bridge.toml")
    assert caught.value.detail == "cannot be read: no such file or directory"
    path = write(tmp_path, GOOD)
    path.write_bytes(b"\xff")
    with pytest.raises(BridgeFileError) as caught:
        load_bridge(path)
    assert (caught.value.line, caught.value.detail) == (
        1,
        "is not UTF-8 text: byte 0 is 0xFF, as in an old code page; save it as UTF-8",
    )
    path.write_text("[source", encoding="utf-8")
    with pytest.raises(BridgeFileError) as caught:
        load_bridge(path)
    assert (caught.value.line, caught.value.detail) == (
        1,
        "is not TOML: expected ']' at the end of a table declaration",
    )


def test_a_keyword_schema_field_cannot_be_reached_by_another_name(tmp_path: Path) -> None:
    """The key is ``schema``; the model's own name for it is not a key of the file."""
    text = GOOD.replace(
        'schema = "tidewright.schema.toml"', 'schema_path = "tidewright.schema.toml"'
    )
    message = fault(tmp_path, text)
    assert message == f"{FILE}: schema: is missing (and 1 more fault in this file)"
