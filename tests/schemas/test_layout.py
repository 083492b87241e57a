"""Layouts: types, offsets, parsed values, and paths, held against Python's struct."""

from __future__ import annotations

import io
import random
import struct
from pathlib import Path
from typing import Any

import pytest
from construct import Array, StreamError

from schemas.compiler import Schema, compile_schema, load_schema
from schemas.errors import SchemaError
from schemas.layout import (
    SCALARS,
    BitField,
    Enumeration,
    FlagSet,
    Node,
    OffsetStruct,
    PointerTo,
    count_of,
    name_of,
    size_of,
)
from schemas.resolve import element_of, leaves, member_of, resolve
from schemas.schema_file import SchemaFile
from schemas.toml_file import TomlText
from schemas.type_names import TypeName, parse_type

HEAD = """
[game]
name = "Tidewright"
[memory]
endian = "ENDIAN"
regions = [ { name = "ram", start = 0x8000_0000, size = "4 MiB" } ]
"""
TYPES = """
[enums.Kind]
base = "u16"
values = { courier = 1, parcel_carrier = 1, lantern = 2 }
[enums.Tide]
base = "s8"
values = { ebb = -1, slack = 0, flood = 1 }
[flags.Flags]
base = "u8"
bits = { lit = 0, wet = 7 }
[structs.Ahead]
size = 0x20
[structs.Ahead.fields]
later = { at = 0x00, type = "Later[2]" }
self  = { at = 0x10, type = "Ahead*" }
selves = { at = 0x14, type = "Ahead**[2]" }
[structs.Later.fields]
keys = { at = 0x1, type = "u8" }
back = { at = 0x4, type = "Ahead*" }
[structs.Color.fields]
r = { at = 0, type = "u8" }
g = { at = 1, type = "u8" }
b = { at = 2, type = "u8" }
a = { at = 3, type = "u8" }
[structs.Inner.fields]
id = { at = 0, type = "u32" }
color = { at = 4, type = "Color" }
[structs.Outer]
size = 0x80
builds = { export = 0x88 }
[structs.Outer.fields]
kind  = { at = 0x00, type = "Kind" }
tide  = { at = 0x02, type = "Tide" }
flags = { at = 0x03, type = "Flags" }
name  = { at = 0x04, type = "char[8]" }
turn  = { at = 0x0C, type = "angle16" }
fine  = { at = 0x10, type = "q16.16" }
small = { at = 0x14, type = "q8.8" }
five  = { at = 0x18, type = "u32", bits = [27, 5] }
lean  = { at = 0x18, type = "s32", bits = [0, 6] }
wind  = { at = 0x1C, type = "Kind", bits = [4, 2] }
real  = { at = 0x20, type = "f64" }
ahead = { at = 0x28, type = "Ahead*" }
grid  = { at = 0x30, type = "u32[3][4]" }
inner = { at = 0x68, type = "Inner[2]" }
word  = { at = 0x78, type = "u32", builds = { export = 0x80 } }
half  = { at = 0x78, type = "u16", builds = { export = 0x80 } }
bytes = { at = 0x78, type = "u8[4]", builds = { export = 0x80 } }
hi    = { at = 0x78, type = "u16", builds = { export = 0x80 } }
lo    = { at = 0x7A, type = "u16", builds = { export = 0x82 } }
[structs.Holder.fields]
outer = { at = 0x0, type = "Outer[2]" }
[structs.Apart.fields]
ahead = { at = 0x0, type = "Ahead" }
[symbols]
outer = "Outer"
[builds.print]
at = { outer = 0x8000_1000 }
[builds.export]
at = { outer = 0x8000_2000 }
"""


def schema(text: str = TYPES, endian: str = "big") -> Schema:
    toml = TomlText(Path("layout.schema.toml"), HEAD.replace("ENDIAN", endian) + text, SchemaError)
    return compile_schema(toml.model(SchemaFile), toml)


@pytest.fixture(scope="module")
def outer() -> Node:
    return schema().builds["print"].type("Outer")


@pytest.fixture(scope="module")
def image() -> bytes:
    data = bytearray(0x80)
    struct.pack_into(">HbB8sH", data, 0, 2, -1, 0x81, b"Wren\0xyz", 0xC000)
    struct.pack_into(">ihxxIH", data, 0x10, -0x18000, -0x180, 21 << 27 | 0x3D, 2 << 4)
    struct.pack_into(">dI", data, 0x20, 0.1, 0x8000_4444)
    struct.pack_into(">12I", data, 0x30, *range(12))
    struct.pack_into(">I4BI4BI", data, 0x68, 7, 1, 2, 3, 4, 8, 5, 6, 7, 8, 0xDEADBEEF)
    return bytes(data)


def test_a_union_has_all_its_members_at_their_places(outer: Node, image: bytes) -> None:
    places = {name: resolve(outer, name)[0] for name in ("word", "half", "bytes", "hi", "lo")}
    assert places == {"word": 0x78, "half": 0x78, "bytes": 0x78, "hi": 0x78, "lo": 0x7A}
    parsed = outer.parse(image)
    assert [parsed[name] for name in places] == [
        *(0xDEADBEEF, 0xDEAD, [0xDE, 0xAD, 0xBE, 0xEF], 0xDEAD, 0xBEEF)
    ]


def test_paths_into_arrays_and_structs(outer: Node) -> None:
    offset, node = resolve(outer, "inner[1].color.b")
    assert (offset, name_of(node)) == (118, "u8")
    offset, node = resolve(outer, "grid[2][3]")
    assert (offset, name_of(node)) == (0x5C, "u32")
    assert resolve(outer, "grid[0x2]") == (0x50, node_at(outer, "grid[0]"))
    with pytest.raises(ValueError) as caught:
        resolve(outer, "grid[3][0]")
    assert str(caught.value) == "index 3 is outside u32[3][4]"


def node_at(node: Node, path: str) -> Node:
    return resolve(node, path)[1]


@pytest.mark.parametrize(
    ("path", "message"),
    [
        ("wrod", "Outer has no field wrod; did you mean word?"),
        ("word.x", "u32 has no fields"),
        ("grid.x", "u32[3][4] has no fields"),
        ("word[0]", "u32 is not an array"),
        ("inner[2]", "index 2 is outside Inner[2]"),
        ("inner[-1]", 'expected .field or [index] at "[-1]"'),
        ("inner[0", 'expected .field or [index] at "[0"'),
        ("inner..id", 'expected .field or [index] at "..id"'),
        ("inner[010]", 'expected .field or [index] at "[010]"'),
        ("ahead.later", "Ahead* has no fields"),
        ("inner[0].color.w", "Color has no field w; known: a, b, g, r"),
    ],
)
def test_a_path_that_leads_nowhere(outer: Node, path: str, message: str) -> None:
    with pytest.raises(ValueError) as caught:
        resolve(outer, path)
    assert str(caught.value) == message


def test_members_and_elements_one_step_at_a_time(outer: Node) -> None:
    assert member_of(outer, "lo")[0] == 0x7A
    assert element_of(node_at(outer, "inner"), 1)[0] == 8
    with pytest.raises(ValueError):
        element_of(node_at(outer, "inner"), -1)


def test_a_parsed_struct(outer: Node, image: bytes) -> None:
    parsed = outer.parse(image)
    assert parsed["kind"] == 2
    assert parsed["tide"] == -1
    assert parsed["flags"] == 0x81
    assert parsed["name"] == "Wren"
    assert (parsed["turn"], parsed["fine"], parsed["small"]) == (0xC000, -1.5, -1.5)
    assert (parsed["five"], parsed["lean"], parsed["wind"]) == (21, -3, 2)
    assert (parsed["real"], parsed["ahead"]) == (0.1, 0x8000_4444)
    assert [list(row) for row in parsed["grid"]] == [[0, 1, 2, 3], [4, 5, 6, 7], [8, 9, 10, 11]]
    assert list(parsed["inner"]) == [
        {"id": 7, "color": {"r": 1, "g": 2, "b": 3, "a": 4}},
        {"id": 8, "color": {"r": 5, "g": 6, "b": 7, "a": 8}},
    ]


def test_a_field_may_be_named_as_a_method_of_dict() -> None:
    later = schema().builds["print"].type("Later")
    assert later.parse(bytes([0, 9, 0, 0, 0, 0, 0, 5])) == {"keys": 9, "back": 5}


def test_structs_may_name_later_ones_and_themselves() -> None:
    ahead = schema().builds["print"].type("Ahead")
    assert resolve(ahead, "later[1].back")[0] == 0xC
    pointer = node_at(ahead, "self")
    assert isinstance(pointer, PointerTo)
    assert pointer.target == TypeName("Ahead")
    twice = node_at(ahead, "selves[1]")
    assert isinstance(twice, PointerTo)
    assert (twice.target, name_of(twice)) == (TypeName("Ahead", 1), "Ahead**")
    assert name_of(node_at(ahead, "selves")) == "Ahead**[2]"


def test_each_build_has_its_own_offsets_and_sizes() -> None:
    builds = schema().builds
    first, export = builds["print"].type("Outer"), builds["export"].type("Outer")
    assert (size_of(first), size_of(export)) == (0x80, 0x88)
    assert (resolve(first, "lo")[0], resolve(export, "lo")[0]) == (0x7A, 0x82)
    holders = [builds[name].type("Holder") for name in ("print", "export")]
    assert [size_of(node) for node in holders] == [0x100, 0x110]
    assert [resolve(node, "outer[1].word")[0] for node in holders] == [0xF8, 0x108]
    assert [builds[name].symbols["outer"].address for name in builds] == [0x8000_1000, 0x8000_2000]
    assert builds["export"].symbols["outer"].type is export


def test_a_struct_that_no_build_changes_is_compiled_once() -> None:
    builds = schema().builds
    assert builds["print"].type("Apart") is builds["export"].type("Apart")
    assert builds["print"].type("Holder") is not builds["export"].type("Holder")


def test_a_pointer_leads_to_the_struct_of_its_own_build() -> None:
    text = TYPES.replace(
        "[symbols]", '[structs.Far.fields]\nto = { at = 0, type = "Outer*" }\n[symbols]'
    )
    builds = schema(text).builds
    for name, size in (("print", 0x80), ("export", 0x88)):
        pointer = node_at(builds[name].type("Far"), "to")
        assert isinstance(pointer, PointerTo)
        assert size_of(builds[name].type(pointer.target)) == size


@pytest.mark.parametrize("size", [0, 1, 0x7F])
def test_short_data_raises_construct_s_own_error(outer: Node, image: bytes, size: int) -> None:
    with pytest.raises(StreamError):
        outer.parse(image[:size])


def test_every_leaf_of_short_data_raises_construct_s_own_error(outer: Node) -> None:
    for _, _, leaf in leaves(outer):
        with pytest.raises(StreamError):
            leaf.parse(bytes(leaf.size - 1))
    with pytest.raises(StreamError):
        node_at(outer, "grid").parse(bytes(47))


def test_data_behind_a_struct_stays_in_the_stream(outer: Node, image: bytes) -> None:
    stream = io.BytesIO(image + b"rest")
    outer.parse_stream(stream)
    assert stream.read() == b"rest"


SIZES = {
    "u8": 1, "s8": 1, "u16": 2, "s16": 2, "u32": 4, "s32": 4, "u64": 8, "s64": 8,
    "f32": 4, "f64": 8, "angle16": 2,
    "q16.16": 4, "q8.8": 2, "q0.8": 1, "q32.32": 8, "q1.15": 2,
    "char[16]": 16, "char[4][3]": 12, "Kind": 2, "Tide": 1, "Flags": 1, "Color": 4,
    "Outer*": 4, "u8*": 4, "q16.16*": 4, "Kind**": 4, "Outer*[3]": 12, "u8[4]": 4,
    "u16[0x10]": 32, "u8[4][3][2]": 24, "Inner[2]": 16, " u8 [ 2 ] ": 2,
}  # fmt: skip


@pytest.mark.parametrize(("text", "size"), SIZES.items())
def test_every_type_has_a_size_and_parses(text: str, size: int) -> None:
    node = schema().builds["print"].type(text)
    assert size_of(node) == size == node.sizeof()
    node.parse(bytes(size))
    assert name_of(node) == text.replace(" ", "").replace("0x10", "16")


def test_every_scalar_is_among_the_types_tested() -> None:
    assert set(SCALARS) <= set(SIZES)


@pytest.mark.parametrize("size", [2, 4, 8])
def test_a_pointer_is_as_wide_as_the_schema_says(size: int) -> None:
    toml = HEAD.replace("ENDIAN", f'little"\npointer_size = {size}\n#"') + "[builds.one]\n"
    text = TomlText(Path("x"), toml, SchemaError)
    node = compile_schema(text.model(SchemaFile), text).builds["one"].type("u8*")
    assert size_of(node) == size
    assert node.parse(bytes(range(1, size + 1))) == int.from_bytes(
        bytes(range(1, size + 1)), "little"
    )


def test_enumerations_and_flags_keep_their_names(outer: Node) -> None:
    kind, flags = node_at(outer, "kind"), node_at(outer, "flags")
    assert isinstance(kind, Enumeration)
    assert kind.members == {"courier": 1, "parcel_carrier": 1, "lantern": 2}
    assert isinstance(flags, FlagSet)
    assert flags.bits == {"lit": 0, "wet": 7}


@pytest.mark.parametrize("endian", ["big", "little"])
@pytest.mark.parametrize("base", [8, 16, 32, 64])
def test_bit_fields_against_shifts(endian: str, base: int) -> None:
    """Bits count from the least significant, whatever the byte order."""
    chance = random.Random(base)
    for _ in range(60):
        lowest = chance.randrange(base)
        width = chance.randint(1, base - lowest)
        sign = chance.choice("us")
        field_text = f'{{ at = 0, type = "{sign}{base}", bits = [{lowest}, {width}] }}'
        text = f"[structs.A.fields]\nf = {field_text}\n"
        node = schema(text + "[builds.one]\n", endian).builds["one"].type("A")
        field = node_at(node, "f")
        assert isinstance(field, BitField)
        assert (field.lowest, field.width) == (lowest, width)
        data = chance.randbytes(base // 8)
        stored = int.from_bytes(data, "big" if endian == "big" else "little")
        expected = stored >> lowest & ((1 << width) - 1)
        if sign == "s" and expected >= 1 << (width - 1):
            expected -= 1 << width
        assert node.parse(data) == {"f": expected}


@pytest.mark.parametrize("order", ["big", "little"])
def test_scalars_against_struct(order: str) -> None:
    forms = dict(zip(SCALARS, "BbHhIiQqfdH", strict=True))
    layout = schema("[builds.one]\n", order).builds["one"]
    chance = random.Random(7)
    for name, form in forms.items():
        node = layout.type(name)
        packing = struct.Struct((">" if order == "big" else "<") + form)
        for _ in range(50):
            data = chance.randbytes(packing.size)
            (expected,) = packing.unpack(data)
            found = node.parse(data)
            assert found == expected or (found != found and expected != expected)
            if expected == expected:
                assert node.build(found) == data


def test_leaves_are_every_value_of_a_struct_once(outer: Node, image: bytes) -> None:
    found = leaves(outer)
    assert len(found) == 12 + 12 + 2 * 5 + 2 + 4 + 2
    assert ("inner[1].color.b", 118) in [(path, offset) for path, offset, _ in found]
    parsed = outer.parse(image)
    for path, offset, leaf in found:
        assert resolve(outer, path) == (offset, leaf)
        direct = leaf.value(leaf.packing.unpack_from(image, offset)[0])
        assert direct == walk(parsed, path)


def walk(parsed: Any, path: str) -> Any:
    for step in path.replace("[", ".[").split("."):
        parsed = parsed[int(step[1:-1]) if step[0] == "[" else step]
    return parsed


def test_text_that_is_not_utf_8_is_shown_with_escapes(outer: Node) -> None:
    name = node_at(outer, "name")
    assert name.parse(b"\xff\xfeWren\0\0") == "\\xff\\xfeWren"
    assert name.parse("Gläser\0".encode()) == "Gläser"
    assert name.parse(b"nothing.") == "nothing."


def test_a_struct_refuses_what_does_not_fit_it(outer: Node) -> None:
    assert isinstance(outer, OffsetStruct)
    with pytest.raises(ValueError) as caught:
        OffsetStruct("Small", 4, {"lo": outer.members["lo"]})
    assert str(caught.value) == "Small.lo ends at 0x7C, past the struct's size 0x4"


def test_nothing_can_be_built(outer: Node) -> None:
    for node in (outer, node_at(outer, "five")):
        with pytest.raises(NotImplementedError):
            node.build({})


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("u8[010]", '"u8[010]" is not a type; expected for example u16, Actor*, u8[4] or char[16]'),
        ("u8[" + "9" * 5000 + "]", None),
        ("q" + "9" * 5000 + ".1", None),
        ("u8[-1]", '"u8[-1]" is not a type; expected for example u16, Actor*, u8[4] or char[16]'),
        ("", '"" is not a type; expected for example u16, Actor*, u8[4] or char[16]'),
        ("u8[4]*", '"u8[4]*" is not a type; expected for example u16, Actor*, u8[4] or char[16]'),
        ("char*", '"char*": char needs a length, as in char[16]'),
        ("struct Color", None),
    ],
)
def test_a_type_text_that_is_none(text: str, message: str | None) -> None:
    with pytest.raises(ValueError) as caught:
        schema().builds["print"].type(text)
    assert "int()" not in str(caught.value)
    assert "limit" not in str(caught.value)
    if message is not None:
        assert str(caught.value) == message


def test_counts_of_a_type_text_are_outermost_first() -> None:
    assert parse_type("Outer* [2][0x3]") == TypeName("Outer", 1, (2, 3))
    assert parse_type("Outer**") == TypeName("Outer", 2)
    node = schema().builds["print"].type("u8[2][3]")
    assert isinstance(node, Array)
    inner = node.subcon
    assert isinstance(inner, Array)
    assert (count_of(node), count_of(inner)) == (2, 3)


def test_the_demo_game_s_schema_has_a_leaf_for_every_byte_that_it_names() -> None:
    path = Path(__file__).parents[2] / "schemas" / "games" / "tidewright.schema.toml"
    layouts = load_schema(path).builds
    for layout in layouts.values():
        for symbol in layout.symbols.values():
            size = size_of(symbol.type)
            symbol.type.parse(bytes(size))
            assert all(offset + leaf.size <= size for _, offset, leaf in leaves(symbol.type))
