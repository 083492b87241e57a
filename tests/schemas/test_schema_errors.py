"""Every fault of a schema file: the exact text, with file, line, key, and the nearest name."""

from __future__ import annotations

import time
from pathlib import Path

import pytest

from schemas.compiler import load_schema
from schemas.errors import SchemaError

GOOD = """\
[game]
name = "Tidewright"
[memory]
endian = "big"
pointer_size = 4
regions = [
  { name = "ram", start = 0x8000_0000, size = "4 MiB" },
  { name = "pad", start = 0x9000_0000, size = 64, mirrors = [0xB000_0000] },
]
[enums.Kind]
base = "u8"
values = { courier = 1, lantern = 2 }
[flags.Flags]
base = "u16"
bits = { visible = 0, carried = 3 }
[structs.Vec3]
size = 12
[structs.Vec3.fields]
x = { at = 0x0, type = "f32" }
y = { at = 0x4, type = "f32", doc = "up" }
[structs.Actor]
size = 0x20
builds = { export = 0x24 }
[structs.Actor.fields]
kind = { at = 0x00, type = "Kind" }
low3 = { at = 0x04, type = "u32", bits = [0, 3] }
place = { at = 0x08, type = "Vec3" }
held = { at = 0x1C, type = "Actor*", builds = { export = 0x20 } }
[symbols]
courier = "Actor"
head = "Actor*"
[builds.print]
title = "First print"
recognise = [ { at = 0x8000_0400, text = "TIDE 1.0" } ]
at = { courier = 0x8010_0000, head = 0x8010_0100 }
[builds.export]
recognise = [ { at = 0x8000_0400, text = "TIDE 1.1" } ]
at.courier = 0x8010_0000
at.head = 0x8010_0100
"""
FILE = "tidewright.schema.toml"


def fault(directory: Path, data: bytes) -> str:
    """What loading these bytes says, without the directory."""
    path = directory / FILE
    path.write_bytes(data)
    with pytest.raises(SchemaError) as caught:
        load_schema(path)
    assert caught.value.file == str(path)
    return str(caught.value).replace(str(path), FILE)


def test_the_file_that_all_of_these_change_is_good(tmp_path: Path) -> None:
    path = tmp_path / FILE
    path.write_text(GOOD, encoding="utf-8")
    assert set(load_schema(path).builds) == {"print", "export"}


CASES: list[tuple[str, str, str]] = [
    # unknown keys, at every level
    ("[game]\n", "[gaem]\nname = 1\n[game]\n",
     "1: gaem: unknown key; did you mean game?"),
    ('name = "Tidewright"', 'name = "Tidewright"\nnmae = 1',
     "3: game.nmae: unknown key; did you mean name?"),
    ("endian = ", 'endain = "big"\nendian = ',
     "4: memory.endain: unknown key; did you mean endian?"),
    ('name = "ram", start', 'name = "ram", strat = 1, start',
     "7: memory.regions.0.strat: unknown key; did you mean start?"),
    ('base = "u8"', 'base = "u8"\nbsae = 1',
     "12: enums.Kind.bsae: unknown key; did you mean base?"),
    ('base = "u16"', 'base = "u16"\nbit = 1',
     "15: flags.Flags.bit: unknown key; did you mean bits?"),
    ("size = 12", "size = 12\nsise = 1", "18: structs.Vec3.sise: unknown key; did you mean size?"),
    ('"f32", doc', '"f32", docs = 1, doc',
     "20: structs.Vec3.fields.y.docs: unknown key; did you mean doc?"),
    ('title = "First', 'titel = "x"\ntitle = "First',
     "33: builds.print.titel: unknown key; did you mean title?"),
    ('text = "TIDE 1.0"', 'text = "TIDE 1.0", texts = 1',
     "34: builds.print.recognise.0.texts: unknown key; did you mean text?"),
    # missing and wrongly typed
    ('name = "Tidewright"\n', "", "1: game.name: is missing"),
    ('endian = "big"\n', "", "3: memory.endian: is missing"),
    ('at = 0x0, type = "f32"', 'type = "f32"', "19: structs.Vec3.fields.x.at: is missing"),
    ('name = "Tidewright"', "name = 5", "2: game.name: expected a text, found 5"),
    ('name = "Tidewright"', 'name = ""',
     '2: game.name: expected a text that is not empty, found ""'),
    ("pointer_size = 4", "pointer_size = 5",
     '5: memory.pointer_size: expected one of 2, 4, 8, found "5"'),
    ('endian = "big"', 'endian = "bigg"',
     '4: memory.endian: expected one of big, little, found "bigg"; did you mean big?'),
    ('endian = "big"', 'endian = "big"\nunaligned_loads = 1',
     "5: memory.unaligned_loads: expected true or false, found 1"),
    ("start = 0x8000_0000", 'start = "x"',
     '7: memory.regions.0.start: expected an integer, found "x"'),
    ("start = 0x8000_0000", "start = -4",
     "7: memory.regions.0.start: expected at least 0, found -4"),
    ("start = 0x8000_0000", "start = 1.5",
     "7: memory.regions.0.start: expected an integer, found 1.5"),
    ("mirrors = [0xB000_0000]", "mirrors = 1",
     "8: memory.regions.1.mirrors: expected an array, found 1"),
    ("courier = 1, lantern = 2", "courier = true",
     "12: enums.Kind.values.courier: expected an integer, found true"),
    ('base = "u8"', 'base = "f32"',
     '11: enums.Kind.base: expected one of u8, s8, u16, s16, u32, s32, u64, s64, found "f32"; '
     "did you mean u32?"),
    ('base = "u16"', 'base = "s16"',
     '14: flags.Flags.base: expected one of u8, u16, u32, u64, found "s16"; did you mean u16?'),
    ("[structs.Vec3]\nsize = 12\n[structs.Vec3.fields]",
     "[structs]\nVec3 = 1\n[structs.Vec4.fields]",
     "17: structs.Vec3: expected a table, found 1"),
    ('head = "Actor*"', "head = 1", "31: symbols.head: expected a text, found 1"),
    ("at.head = 0x8010_0100", 'at.head = "here"',
     '39: builds.export.at.head: expected an integer, found "here"'),
    ("bits = [0, 3]", "bits = 3", "26: structs.Actor.fields.low3.bits: expected an array, found 3"),
    # sizes
    ('"4 MiB"', '"4 MB"',
     '7: memory.regions.0.size: expected a count such as 4096 or "4 MiB", found "4 MB"'),
    ('"4 MiB"', '"_"',
     '7: memory.regions.0.size: expected a count such as 4096 or "4 MiB", found "_"'),
    ('"4 MiB"', '"007"',
     '7: memory.regions.0.size: expected a count such as 4096 or "4 MiB", found "007"'),
    ('"4 MiB"', "0", "7: memory.regions.0.size: expected more than 0, found 0"),
    ("size = 12", "size = -12", "17: structs.Vec3.size: expected at least 0, found -12"),
    # names
    ("x = { at", '"9x" = { at',
     '19: structs.Vec3.fields.9x: expected a name of letters, digits and _, found "9x"'),
    ("x = { at", "if = { at",
     '19: structs.Vec3.fields.if: "if" is a word of the expression language; choose another name'),
    ("[structs.Vec3]\nsize = 12\n[structs.Vec3.fields]",
     '[structs."a b"]\nsize = 12\n[structs."a b".fields]',
     '16: structs.a b: expected a name of letters, digits and _, found "a b"'),
    ('head = "Actor*"', 'lambda = "Actor*"',
     '31: symbols.lambda: "lambda" is a word of the expression language; choose another name'),
    ("lantern = 2", "None = 2",
     '12: enums.Kind.values.None: "None" is a word of the expression language; '
     "choose another name"),
    # regions
    ('name = "pad"', 'name = "ram"', "3: memory: two regions are named ram"),
    ("start = 0x9000_0000", "start = 0x8010_0000", "3: memory: regions ram and pad overlap"),
    ("mirrors = [0xB000_0000]", "mirrors = [0x803F_FFFF]",
     "3: memory: regions ram and pad overlap"),
    ("start = 0x9000_0000", "start = 0x9000_0002",
     "3: memory: region pad must start at a multiple of 4"),
    # types
    ('type = "Vec3"', 'type = "Vec4"',
     "27: structs.Actor.fields.place.type: unknown type Vec4; did you mean Vec3?"),
    ('type = "Actor*"', 'type = "Actr*"',
     "28: structs.Actor.fields.held.type: unknown type Actr; did you mean Actor?"),
    ('type = "Vec3"', 'type = "Vec3["',
     '27: structs.Actor.fields.place.type: "Vec3[" is not a type; expected for example u16, '
     "Actor*, u8[4] or char[16]"),
    ('type = "Vec3"', 'type = "char"',
     '27: structs.Actor.fields.place.type: "char": char needs a length, as in char[16]'),
    ('type = "Vec3"', 'type = "u8[0]"',
     '27: structs.Actor.fields.place.type: "u8[0]": expected counts of 1 to 16777216 '
     "elements in all"),
    ('type = "Vec3"', 'type = "u8[5000][5000]"',
     '27: structs.Actor.fields.place.type: "u8[5000][5000]": expected counts of 1 to 16777216 '
     "elements in all"),
    ('type = "Vec3"', 'type = "q16.15"',
     "27: structs.Actor.fields.place.type: q16.15: expected 8, 16, 32 or 64 bits in all"),
    ('head = "Actor*"', 'head = "Ector*"',
     "31: symbols.head: unknown type Ector; did you mean Actor?"),
    # structs
    ("size = 12", "size = 7",
     "20: structs.Vec3.fields.y: ends at 0x8, past the end of Vec3, whose size is 0x7"),
    ("export = 0x20", "export = 0x24",
     "28: structs.Actor.fields.held: ends at 0x28, past the end of Actor, whose size is 0x24 "
     "in build export"),
    ("builds = { export = 0x24 }", "builds = { export = 0x20 }",
     "28: structs.Actor.fields.held: ends at 0x24, past the end of Actor, whose size is 0x20 "
     "in build export"),
    ("builds = { export = 0x20 }", "builds = { exprot = 0x20 }",
     "28: structs.Actor.fields.held.builds.exprot: unknown build; did you mean export?"),
    ("builds = { export = 0x24 }", "builds = { second = 0x24 }",
     "23: structs.Actor.builds.second: unknown build; known: export, print"),
    ('type = "Vec3"', 'type = "Actor"',
     "21: structs.Actor: a struct cannot hold itself (Actor in Actor); use a pointer"),
    ('y = { at = 0x4, type = "f32"', 'y = { at = 0x4, type = "Actor[2]"',
     "16: structs.Vec3: a struct cannot hold itself (Vec3 in Actor in Vec3); use a pointer"),
    # bit-fields
    ("bits = [0, 3]", "bits = [30, 3]",
     "26: structs.Actor.fields.low3.bits: bits 30 to 32 do not lie in u32, which has 32"),
    ("bits = [0, 3]", "bits = [0, 0]",
     "26: structs.Actor.fields.low3.bits: bits 0 to -1 do not lie in u32, which has 32"),
    ('type = "u32", bits', 'type = "f32", bits',
     "26: structs.Actor.fields.low3.type: a bit-field needs an integer type, found f32"),
    ('type = "u32", bits', 'type = "Actor*", bits',
     "26: structs.Actor.fields.low3.type: a bit-field needs an integer type, found Actor*"),
    # enums, flags
    ("lantern = 2", "lantern = 256", "12: enums.Kind.values.lantern: 256 does not fit u8"),
    ("lantern = 2", "lantern = -1", "12: enums.Kind.values.lantern: -1 does not fit u8"),
    ("carried = 3", "carried = 16", "15: flags.Flags.bits.carried: u16 has no bit 16"),
    ("carried = 3", "carried = 64",
     "15: flags.Flags.bits.carried: expected less than 64, found 64"),
    ("[flags.Flags]", "[flags.Kind]", "13: flags.Kind: Kind is already named in enums"),
    ("[enums.Kind]", "[enums.u8]", "10: enums.u8: u8 is already a built-in type"),
    ('head = "Actor*"', 'Kind = "Actor*"', "31: symbols.Kind: Kind is already named in enums"),
    # builds
    (", head = 0x8010_0100", "", "35: builds.print.at: build print does not place symbol head"),
    ("at.head = 0x8010_0100", "at.haed = 0x8010_0100",
     "39: builds.export.at.haed: unknown symbol; did you mean head?"),
    ('text = "TIDE 1.0"', 'text = "TIDE 1.0", u32 = 1',
     "34: builds.print.recognise.0: expected exactly one of text, bytes and u32"),
    ('text = "TIDE 1.0"', 'bytes = "5449 4"',
     '34: builds.print.recognise.0.bytes: expected bytes such as "54 49 44 45", found "5449 4"'),
    ('text = "TIDE 1.0"', "u32 = 0x1_0000_0000",
     "34: builds.print.recognise.0.u32: expected less than 4294967296, found 4294967296"),
    # places that can never be read
    ("courier = 0x8010_0000, head", "courier = 0x7FFF_FFFF, head",
     "35: builds.print.at.courier: build print places courier at 0x7FFFFFFF, which is outside "
     "every region; the nearest is ram, 0x80000000 to 0x803FFFFF"),
    ("courier = 0x8010_0000, head", "courier = 0, head",
     "35: builds.print.at.courier: build print places courier at 0x00000000, which is outside "
     "every region; the nearest is ram, 0x80000000 to 0x803FFFFF"),
    ("at.head = 0x8010_0100", "at.head = 0x9000_0040",
     "39: builds.export.at.head: build export places head at 0x90000040, which is outside "
     "every region; the nearest is pad, 0x90000000 to 0x9000003F"),
    ("at.head = 0x8010_0100", "at.head = 0xAFFF_0000",
     "39: builds.export.at.head: build export places head at 0xAFFF0000, which is outside "
     "every region; the nearest is a mirror of pad, 0xB0000000 to 0xB000003F"),
    ("at.head = 0x8010_0100", "at.head = 0xFFFF_FFFF_FFFF_FFFF",
     "39: builds.export.at.head: build export places head at 0xFFFFFFFFFFFFFFFF, which is outside "
     "every region; the nearest is a mirror of pad, 0xB0000000 to 0xB000003F"),
    ("at.courier = 0x8010_0000", "at.courier = 0x803F_FFE0",
     "38: builds.export.at.courier: build export places courier at 0x803FFFE0, which with its "
     "0x24 bytes reaches past the end of ram at 0x80400000"),
    ("at.head = 0x8010_0100", "at.head = 0xB000_003E",
     "39: builds.export.at.head: build export places head at 0xB000003E, which with its "
     "0x4 bytes reaches past the end of a mirror of pad at 0xB0000040"),
    ('at = 0x8000_0400, text = "TIDE 1.1"', 'at = 0x0000_0400, text = "TIDE 1.1"',
     "37: builds.export.recognise.0.at: 0x00000400 is outside every region; the nearest is ram, "
     "0x80000000 to 0x803FFFFF"),
    ('at = 0x8000_0400, text = "TIDE 1.1"', 'at = 0x803F_FFFC, text = "TIDE 1.1"',
     "37: builds.export.recognise.0.at: 0x803FFFFC with its 0x8 bytes reaches past the end of ram "
     "at 0x80400000"),
    ('at = 0x8000_0400, text = "TIDE 1.1"', "at = 0x803F_FFFD, u32 = 7",
     "37: builds.export.recognise.0.at: 0x803FFFFD with its 0x4 bytes reaches past the end of ram "
     "at 0x80400000"),
    # more than one
    ('name = "Tidewright"\n[memory]\nendian = "big"', '[memory]\nendian = "middle"',
     "1: game.name: is missing (and 1 more fault in this file)"),
]  # fmt: skip


@pytest.mark.parametrize(("old", "new", "message"), CASES)
def test_a_fault_is_told_with_its_line_and_key(
    tmp_path: Path, old: str, new: str, message: str
) -> None:
    assert GOOD.count(old) >= 1
    assert fault(tmp_path, GOOD.replace(old, new, 1).encode()) == f"{FILE}:{message}"


def test_a_table_without_builds_and_one_without_size(tmp_path: Path) -> None:
    text = '[game]\nname = "x"\n[memory]\nendian = "big"\nregions = []\n'
    assert fault(tmp_path, text.encode()) == (
        f"{FILE}:5: memory.regions: expected at least 1, found an array of 0 "
        "(and 1 more fault in this file)"
    )
    text = GOOD.replace("[symbols]", "[structs.Empty]\n[symbols]")
    assert fault(tmp_path, text.encode()) == f"{FILE}:29: structs.Empty: needs a size or fields"


def test_a_region_ends_inside_the_address_space(tmp_path: Path) -> None:
    text = GOOD.replace("start = 0x9000_0000", f"start = {2**63 - 4}").replace(
        "size = 64", "size = 8"
    )
    path = tmp_path / FILE
    path.write_text(text, encoding="utf-8")
    assert load_schema(path).builds
    text = text.replace(f"start = {2**63 - 4}", f"start = {2**64 - 4}")
    assert fault(tmp_path, text.encode()).startswith(f"{FILE}:")


def test_regions_are_no_larger_than_a_console_has(tmp_path: Path) -> None:
    text = GOOD.replace('"4 MiB"', str(1 << 60)).replace("mirrors = [0xB000_0000]", "mirrors = []")
    text = text.replace("start = 0x9000_0000", f"start = {1 << 62}")
    assert fault(tmp_path, text.encode()).startswith(f"{FILE}:7: memory.regions.0.size: ")


@pytest.mark.parametrize("address", [0x8000_0000, 0x803F_FFFC, 0x9000_003C, 0xB000_0000])
def test_a_symbol_may_begin_and_end_where_a_region_or_a_mirror_does(
    tmp_path: Path, address: int
) -> None:
    path = tmp_path / FILE
    path.write_text(GOOD.replace("at.head = 0x8010_0100", f"at.head = {address}"), "utf-8")
    assert load_schema(path).builds["export"].symbols["head"].address == address


def test_a_symbol_may_lie_across_two_regions_that_touch_and_evidence_may_not(
    tmp_path: Path,
) -> None:
    path = tmp_path / FILE
    text = GOOD.replace("start = 0x9000_0000", "start = 0x8040_0000")
    across = text.replace("at.courier = 0x8010_0000", "at.courier = 0x803F_FFF0")
    path.write_text(across, "utf-8")
    assert load_schema(path).builds["export"].symbols["courier"].address == 0x803F_FFF0
    split = text.replace('at = 0x8000_0400, text = "TIDE 1.1"', "at = 0x803F_FFFE, u32 = 1")
    assert fault(tmp_path, split.encode()) == (
        f"{FILE}:37: builds.export.recognise.0.at: 0x803FFFFE with its 0x4 bytes reaches past the "
        "end of ram at 0x80400000"
    )


BROKEN: list[tuple[bytes, str]] = [
    (b"[game\n", ":1: is not TOML: expected ']' at the end of a table declaration"),
    (b'[game]\nname = "x', ":2: is not TOML: unterminated string"),
    (b'[game]\nname = "x"\nname = "y"\n', ":3: is not TOML: cannot overwrite a value"),
    (b"[game]\n[game]\n", ":2: is not TOML: cannot declare ('game',) twice"),
    (b"[game]\nname = 1 2\n",
     ":2: is not TOML: expected newline or end of document after a statement"),
    (b"\xff\xfe[\0", ": is not UTF-8 text: byte 0, it is UTF-16; save it as UTF-8"),
    (b'[game]\nname = "\xe9"\n',
     ":2: is not UTF-8 text: byte 15 is 0xE9, as in an old code page; save it as UTF-8"),
    (b"", ": game: is missing (and 2 more faults in this file)"),
]  # fmt: skip


@pytest.mark.parametrize(("data", "message"), BROKEN)
def test_what_is_not_toml(tmp_path: Path, data: bytes, message: str) -> None:
    assert fault(tmp_path, data) == f"{FILE}{message}"


def test_a_file_that_cannot_be_read(tmp_path: Path) -> None:
    for path in (tmp_path / "none.toml", tmp_path):
        with pytest.raises(SchemaError) as caught:
            load_schema(path)
        reason = "no such file or directory" if path.name == "none.toml" else "is a directory"
        assert str(caught.value) == f"{path}: cannot be read: {reason}"


def test_a_file_saved_with_a_byte_order_mark_and_windows_line_ends(tmp_path: Path) -> None:
    path = tmp_path / FILE
    path.write_bytes(GOOD.replace("\n", "\r\n").encode())
    assert set(load_schema(path).builds) == {"print", "export"}
    path.write_bytes(b"\xef\xbb\xbf" + GOOD.replace("\n", "\r\n").encode())
    assert set(load_schema(path).builds) == {"print", "export"}


HEAVY = {
    "nested arrays": 'x = ' + "[" * 20_000 + "]" * 20_000,
    "arrays 300 deep": 'x = ' + "[" * 300 + "]" * 300,
    "nested tables": "x = " + "{a=" * 5_000 + "1" + "}" * 5_000,
    "a dotted key": ".".join(["b"] * 3_000) + " = 1",
    "a long integer": "x = " + "9" * 5_000,
    "a long text": 'x = "' + "b" * 4_000_000 + '"',
    "a long key": "b" * 1_000_000 + " = 1",
    "many tables": "\n".join(f"[structs.A{n}]\nx = 1" for n in range(20_000)),
    "a larger file than any schema": "# " + "x" * (17 << 20),
}  # fmt: skip


@pytest.mark.parametrize("extra", HEAVY.values(), ids=list(HEAVY))
def test_a_heavy_file_is_refused_soon_and_briefly(tmp_path: Path, extra: str) -> None:
    started = time.process_time()
    text = GOOD.replace('name = "Tidewright"\n', f'name = "Tidewright"\n{extra}\n', 1)
    if extra.startswith("[structs"):
        text = GOOD + extra
    message = fault(tmp_path, text.encode())
    assert time.process_time() - started < 5
    assert message.startswith(FILE)
    assert len(message) < 2_000


def test_a_long_value_is_cut_in_the_message(tmp_path: Path) -> None:
    text = GOOD.replace('endian = "big"', f'endian = "{"b" * 1_000_000}"')
    assert len(fault(tmp_path, text.encode())) < 2_000


def test_structs_nested_too_deep_are_refused(tmp_path: Path) -> None:
    structs = "".join(
        f'[structs.N{n}.fields]\na = {{ at = 0, type = "N{n + 1}" }}\n' for n in range(100)
    )
    text = GOOD + structs + "[structs.N100]\nsize = 4\n"
    assert "structs are nested deeper than 64" in fault(tmp_path, text.encode())
