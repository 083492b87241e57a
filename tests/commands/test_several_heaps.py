"""The commands where a schema describes several heaps: which one is told of."""

from __future__ import annotations

import json
import struct
from pathlib import Path

import pytest

from adapters.commands.main import main
from adapters.json_forms.shapes import FORMS
from tests.bridge.test_several_heaps import CARGO, SLOTS, Movable, Nested


@pytest.fixture
def bridge(tmp_path: Path) -> Path:
    """Two heaps: three blocks, of which one holds a pool of four slots."""
    return written(tmp_path, Nested())


def written(folder: Path, guest: Nested) -> Path:
    guest.aim(SLOTS + 4)
    (folder / "made.schema.toml").write_text(guest.schema.text, "utf-8")
    (folder / "made.bin").write_bytes(bytes(guest.bytes[: 1 << 20]))
    path = folder / "made.bridge.toml"
    path.write_text(
        """
schema = "made.schema.toml"
build = "only"
[source]
kind = "file"
path = "made.bin"
format = "raw"
byte_order = "big"
[[watches]]
name = "place"
expr = "block(held).index"
""",
        "utf-8",
    )
    return path


def printed(
    capsys: pytest.CaptureFixture[str], *words: str | Path, code: int = 0, err: bool = False
) -> str:
    assert main([*map(str, words)]) == code
    said = capsys.readouterr()
    return said.err if err else said.out


def test_the_map_tells_which_heap(capsys: pytest.CaptureFixture[str], bridge: Path) -> None:
    text = printed(capsys, "heap", bridge)
    lines = text.splitlines()
    first, second = lines.index("the heap without a name:"), lines.index("heap motes:")
    assert first < second
    assert lines[second - 2].startswith("3 blocks: 3 used")
    assert lines[-1] == "4 blocks: 2 used with 0x80 bytes, 2 free with 0x80 bytes"
    alone = printed(capsys, "heap", bridge, "--heap", "motes")
    assert "heap motes:" not in alone
    assert alone.splitlines()[-1] == lines[-1]


def test_as_json_the_others_follow(capsys: pytest.CaptureFixture[str], bridge: Path) -> None:
    found = json.loads(printed(capsys, "heap", bridge, "--json"))
    assert FORMS["heap"].model_validate(found)
    assert [block["owner"] for block in found["blocks"]] == ["crate", "buoy", "gull"]
    assert "heap" not in found
    (motes,) = found["others"]
    assert (motes["heap"], motes["damaged"]) == ("motes", None)
    assert [block["start"] for block in motes["blocks"]] == [SLOTS + 0x40 * n for n in range(4)]
    alone = json.loads(printed(capsys, "heap", bridge, "--json", "--heap", "motes"))
    assert (alone["heap"], alone["blocks"]) == ("motes", motes["blocks"])
    assert "others" not in alone


def test_a_heap_that_is_not_there(capsys: pytest.CaptureFixture[str], bridge: Path) -> None:
    said = printed(capsys, "heap", bridge, "--heap", "mots", code=2, err=True)
    assert "unknown heap mots; did you mean motes?" in said


def test_one_that_is_damaged_gives_1(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    guest = Movable()
    guest.place(a=CARGO + 8, b=CARGO + 0x28)
    guest.poke(CARGO, "I", 0x21)
    path = written(tmp_path, guest)
    text = printed(capsys, "heap", path, code=1)
    assert "damaged: " in text
    assert printed(capsys, "heap", path, "--heap", "", code=2, err=True)


def test_handles_are_told(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    guest = Movable()
    guest.place(b=CARGO + 8)
    found = json.loads(printed(capsys, "heap", written(tmp_path, guest), "--json"))
    (cargo,) = found["others"]
    assert [block.get("handle") for block in cargo["blocks"]] == [0x8000_0144, None]


def test_where_an_address_is(capsys: pytest.CaptureFixture[str], bridge: Path) -> None:
    assert "block 2 of motes, lantern" in printed(capsys, "where", bridge, hex(SLOTS + 0x84))
    found = json.loads(printed(capsys, "where", bridge, hex(SLOTS + 0x84), "--json"))
    assert FORMS["where"].model_validate(found)
    assert (found["block"]["heap"], found["block"]["index"]) == ("motes", 2)
    assert found["path"].startswith("at(")
    outer = json.loads(printed(capsys, "where", bridge, hex(SLOTS - 8), "--json"))
    assert outer["block"]["index"] == 1
    assert "heap" not in outer["block"]


def test_layouts_are_of_one_heap(
    capsys: pytest.CaptureFixture[str], bridge: Path, tmp_path: Path
) -> None:
    kept = tmp_path / "motes.layout.toml"
    assert "4 blocks saved" in printed(capsys, "layout", "save", bridge, kept, "--heap", "motes")
    assert 'heap = "motes"' in kept.read_text("utf-8")
    # it knows whose it is; another heap is compared where it is asked for
    assert "matches: 4 blocks" in printed(capsys, "layout", "compare", bridge, kept)
    kept.write_text(kept.read_text("utf-8").replace('"motes"', '"mots"'), "utf-8")
    said = printed(capsys, "layout", "compare", bridge, kept, code=2, err=True)
    assert "unknown heap mots; did you mean motes?" in said


def test_a_watch_on_a_layout_is_of_its_heap(
    capsys: pytest.CaptureFixture[str], bridge: Path, tmp_path: Path
) -> None:
    printed(capsys, "layout", "save", bridge, tmp_path / "m.layout.toml", "--heap", "motes")
    text = bridge.read_text("utf-8")
    watch = "[[watches]]\nname = 'as_saved'\nexpr = '{}'\n[layouts]\nm = 'm.layout.toml'\n"
    bridge.write_text(text + watch.format('layout("m")'), "utf-8")
    readings = json.loads(printed(capsys, "read", bridge, "--json"))["readings"]
    assert {r["watch"]: r["value"] for r in readings}["as_saved"] == 1
    saved = (tmp_path / "m.layout.toml").read_text("utf-8")
    (tmp_path / "m.layout.toml").write_text(saved.replace('"motes"', '"mote"'), "utf-8")
    said = printed(capsys, "read", bridge, code=2, err=True)
    assert "the layout m is of the heap mote, which the schema does not have" in said


def test_two_moments_are_compared_heap_by_heap(
    capsys: pytest.CaptureFixture[str], bridge: Path, tmp_path: Path
) -> None:
    memory = bytearray((tmp_path / "made.bin").read_bytes())
    at = SLOTS + 0x80 + 4 - 0x8000_0000
    memory[at : at + 4] = struct.pack(">I", 77)
    other = tmp_path / "other.bin"
    other.write_bytes(memory)
    said = printed(capsys, "compare", tmp_path / "made.bin", other, "--bridge", bridge, code=1)
    assert "word" in said
    assert "102" in said
    assert "77" in said


def test_an_explanation_names_the_heap(capsys: pytest.CaptureFixture[str], bridge: Path) -> None:
    said = printed(capsys, "explain", bridge, "place")
    assert "motes" in said
