"""Every fault of a schema's heap: file, line, key, likely cause."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from bridge.expressions.compiling import check
from schemas.compiler import Schema, load_schema
from schemas.errors import SchemaError

FILE = "tidewright.schema.toml"
GOOD = """\
[game]
name = "Tidewright"
[memory]
endian = "big"
regions = [ { name = "ram", start = 0x8000_0000, size = "4 MiB" } ]
[enums.Kind]
base = "u16"
values = { courier = 1, lantern = 2 }
[structs.BlockHeader.fields]
used = { at = 0x2, type = "u8" }
size = { at = 0x4, type = "u32" }
next = { at = 0x8, type = "BlockHeader*" }
load = { at = 0xC, type = "f32" }
note = { at = 0x10, type = "char[4]" }
owns = { at = 0x14, type = "Actor*" }
[structs.Actor.fields]
kind = { at = 0x0, type = "Kind" }
part = { at = 0x4, type = "u32" }
[structs.Lantern.fields]
actor = { at = 0x0, type = "Actor" }
[symbols]
heap_head = "BlockHeader*"
actor = "Actor"
[builds.print]
at.heap_head = 0x8010_0000
at.actor = 0x8010_0100
[heap]
block = "BlockHeader"
first = "heap_head"
next = "block.next"
size = "block.size"
used = "block.used != 0"
payload = "address(block) + 0x18"
alignment = 8
magic = "block.size < 0x100"
generation = "block.used"
[heap.owner]
struct = "Actor"
field = "kind"
structs = { lantern = "Lantern" }
"""
SIZES = "[heap.owner]\nsizes = { lantern = 0x11, crate = 0x30 }\n"
OWNER = GOOD[GOOD.index("[heap.owner]") :]


def loaded(directory: Path, text: str) -> Schema:
    path = directory / FILE
    path.write_text(text, encoding="utf-8")
    schema = load_schema(path)
    for layout in schema.builds.values():
        check(layout, {})
    return schema


def line(text: str, start: str) -> int:
    return next(n for n, row in enumerate(text.splitlines(), 1) if row.startswith(start))


def test_the_good_ones_load(tmp_path: Path) -> None:
    heap = loaded(tmp_path, GOOD).builds["print"].heap
    assert heap is not None
    assert heap.block_name == "BlockHeader"
    assert heap.owner.names == ("courier", "lantern")
    assert heap.begins_payloads("Lantern")
    assert heap.begins_payloads("Actor")
    assert not heap.begins_payloads("BlockHeader")
    heap = loaded(tmp_path, GOOD.replace(OWNER, SIZES)).builds["print"].heap
    assert heap is not None
    # sizes are what the allocator rounds them up to
    assert heap.owner.sizes == {0x18: "lantern", 0x30: "crate"}
    assert loaded(tmp_path, GOOD.replace(OWNER, "")).builds["print"].heap is not None
    assert loaded(tmp_path, GOOD[: GOOD.index("[heap]")]).builds["print"].heap is None


EXPRESSIONS = [
    ("first = ", '"heap_hed"', "heap.first: unknown name heap_hed; did you mean heap_head?"),
    ("first = ", '"actor"', "heap.first: is a Actor, expected a BlockHeader"),
    ("first = ", '"actor.part * 1.0"', "heap.first: is a float, expected a whole number"),
    ("first = ", '"block.next"', "heap.first: block is a function: write block(p)"),
    ("next = ", '"blok.next"', "heap.next: unknown name blok; did you mean block?"),
    (
        "next = ",
        '"block.owns"',
        "heap.next: is a Actor*, expected a BlockHeader or a BlockHeader*",
    ),
    ("next = ", '"block.nxt"', "heap.next: BlockHeader has no field nxt; did you mean next?"),
    ("next = ", '"block.next.note"', "heap.next: is a text, expected a number"),
    ("size = ", '"block.load"', "heap.size: is a f32, expected a whole number"),
    ("size = ", '"block"', "heap.size: is a whole BlockHeader; name a field: used, size, next"),
    ("size = ", '"change(block.size)"', "heap.size: change cannot stand in [heap]"),
    ("size = ", '"block(block.size).size"', "heap.size: asks for the heap"),
    ("size = ", '"block.size +"', "heap.size: is not an expression: invalid syntax"),
    ("used = ", '"block.note"', "heap.used: is a text, expected a number"),
    ("payload = ", '"block.load"', "heap.payload: is a f32, expected a whole number"),
    ("magic = ", '"len(blocks())"', "heap.magic: asks for the heap"),
    ("generation = ", '"block.load"', "heap.generation: is a f32, expected a whole number"),
]


@pytest.mark.parametrize(("key", "expression", "words"), EXPRESSIONS)
def test_an_expression_that_is_wrong(tmp_path: Path, key: str, expression: str, words: str) -> None:
    heap = GOOD.index("[heap]")
    rows = GOOD[heap:].splitlines()
    rows = [f"{key}{expression}" if row.startswith(key) else row for row in rows]
    text = GOOD[:heap] + "\n".join(rows)
    number = GOOD[:heap].count("\n") + 1 + next(n for n, r in enumerate(rows) if r.startswith(key))
    with pytest.raises(SchemaError) as caught:
        loaded(tmp_path, text)
    message = str(caught.value).removeprefix(f"{tmp_path}{os.sep}")
    assert message.startswith(f"{FILE}:{number}: {words}")
    # and the place in the expression
    assert message.splitlines()[-1].strip() == "^"
    assert "(build print)" in message


TABLES = [
    ('block = "BlockHeader"', 'block = "BlokHeader"',
     "heap.block: unknown struct BlokHeader; did you mean BlockHeader?"),
    ('struct = "Actor"', 'struct = "Acter"',
     "heap.owner.struct: unknown struct Acter; did you mean Actor?"),
    ('field = "kind"', 'field = "knd"',
     "heap.owner.field: Actor has no field knd; did you mean kind?"),
    ('field = "kind"', 'field = "part"',
     "heap.owner.field: Actor.part is no enum, which names the kinds"),
    ("{ lantern = ", "{ lanten = ",
     "heap.owner.structs.lanten: Kind has no member lanten; did you mean lantern?"),
    ('lantern = "Lantern"', 'lantern = "Lanter"',
     "heap.owner.structs.lantern: unknown struct Lanter; did you mean Lantern?"),
    ('field = "kind"\n', "",
     "heap.owner: struct and field go together"),
    (OWNER, '[heap.owner]\nsizes = { a = 1 }\nstruct = "Actor"\nfield = "kind"\n',
     "heap.owner: expected either struct and field, or sizes"),
    (OWNER, "[heap.owner]\n",
     "heap.owner: expected either struct and field, or sizes"),
    (OWNER, "[heap.owner]\nsizes = { lantern = 0x11, crate = 0x18 }\n",
     "heap.owner.sizes.crate: blocks of lantern have the same 0x18 bytes; no size may stand for "
     "two"),
    ("alignment = 8", "alignment = 0", "heap.alignment: expected at least 1, found 0"),
    ('used = "block.used != 0"', 'usd = "block.used != 0"', "heap.used: is missing (and 1 more"),
    ('payload = "address(block) + 0x18"\n', "", "heap.payload: is missing"),
]  # fmt: skip


@pytest.mark.parametrize(("old", "new", "words"), TABLES)
def test_a_table_that_is_wrong(tmp_path: Path, old: str, new: str, words: str) -> None:
    assert GOOD.count(old) == 1
    with pytest.raises(SchemaError) as caught:
        loaded(tmp_path, GOOD.replace(old, new))
    message = str(caught.value).removeprefix(f"{tmp_path}{os.sep}{FILE}:")
    number, _, rest = message.partition(": ")
    assert rest.startswith(words)
    assert int(number) >= line(GOOD, "[heap]")


FAR = "which is outside every region; the nearest is ram, 0x80000000 to 0x803FFFFF (build print)"
PLACED = [
    ("0x7000_0000", f"0x7000_0000 is at 0x70000000, {FAR}"),
    ("at(0x7000_0000, 'BlockHeader')", f"at(0x7000_0000, 'BlockHeader') is at 0x70000000, {FAR}"),
    (
        "at(0x8040_0000, 'BlockHeader*')",
        "at(0x8040_0000, 'BlockHeader*') is at 0x80400000, which is outside every region; "
        "the nearest is ram, 0x80000000 to 0x803FFFFF (build print)",
    ),
    (
        "at(0x803F_FFF0, 'BlockHeader')",
        "at(0x803F_FFF0, 'BlockHeader') is at 0x803FFFF0, which with its 0x18 bytes reaches past "
        "the end of ram at 0x80400000 (build print)",
    ),
]


@pytest.mark.parametrize(("expression", "words"), PLACED)
def test_a_first_block_that_can_never_be_read(tmp_path: Path, expression: str, words: str) -> None:
    text = GOOD.replace('first = "heap_head"', f'first = "{expression}"')
    with pytest.raises(SchemaError) as caught:
        loaded(tmp_path, text)
    number = line(text, "first")
    assert str(caught.value) == f"{tmp_path / FILE}:{number}: heap.first: {words}"


@pytest.mark.parametrize(
    "expression",
    ["0x8010_0000", "at(0x8010_0000, 'BlockHeader')", "at(0x803F_FFFC, 'BlockHeader*')", "0"],
)
def test_a_first_block_at_an_address_that_is_written_out(tmp_path: Path, expression: str) -> None:
    loaded(tmp_path, GOOD.replace('first = "heap_head"', f'first = "{expression}"'))
