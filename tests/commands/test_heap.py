"""``lowhalf heap``: the map of a dump's heap, as a table, as a strip and as JSON."""

from __future__ import annotations

import gzip
import json
import struct
from pathlib import Path

import pytest

from adapters.commands.main import main
from tests.commands import files
from tests.commands.command import lowhalf

SAMPLES = Path(__file__).parents[2] / "sample_dumps"
REUSE = SAMPLES / "first-print-stale-reuse.bridge.toml"
HOLD = SAMPLES / "first-print-stale-hold.bridge.toml"
SECOND = 0x20_01E0
"""Where the second block's header lies in the dumps."""


def blocks_by_hand(dump: Path) -> list[dict[str, object]]:
    """The heap's list by ``struct`` alone, from the dump's bytes."""
    ram = gzip.decompress(dump.read_bytes())
    names = {2: "lantern", 3: "crate", 4: "gull", 5: "buoy", 6: "mist_puff"}
    (header,) = struct.unpack_from(">I", ram, 0x18_0EB0)
    found: list[dict[str, object]] = []
    while header:
        _, used, _, size, following = struct.unpack_from(">HBBII", ram, header - 0x8000_0000)
        (kind,) = struct.unpack_from(">H", ram, header + 16 - 0x8000_0000)
        owner = names[kind] if used else "free"
        found.append({"start": header + 16, "size": size, "used": bool(used), "owner": owner})
        header = following
    return found


@pytest.mark.parametrize("bridge", [REUSE, HOLD], ids=["reuse", "hold"])
def test_the_json_has_every_block(bridge: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["heap", str(bridge), "--json"]) == 0
    answer = json.loads(capsys.readouterr().out)
    assert answer["damaged"] is None
    keys = ("start", "size", "used", "owner")
    found = [{key: block[key] for key in keys} for block in answer["blocks"]]
    dump = bridge.with_name(bridge.name.replace(".bridge.toml", ".bin.gz"))
    assert found == blocks_by_hand(dump)
    assert len(found) >= 3
    assert [block["index"] for block in answer["blocks"]] == list(range(len(found)))


def test_the_table_and_the_strip(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["heap", str(REUSE)]) == 0
    title, _, *rest = capsys.readouterr().out.splitlines()
    assert title.startswith("frame ")
    assert rest[0].startswith("|cr|cr|gu")
    assert "2      0x802003D0  0x1D0   used  gull" in rest
    assert "3      0x802005B0  0xFA50  free" in rest
    assert rest[-1] == "4 blocks: 3 used with 0x570 bytes, 1 free with 0xFA50 bytes"


@pytest.mark.wine("its consoles are taken for old ones, which have their last column left free")
def test_a_narrow_terminal_without_colours(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "30")
    monkeypatch.setenv("NO_COLOR", "1")
    answer = lowhalf("heap", str(REUSE))
    assert answer.returncode == 0
    assert "\x1b" not in answer.stdout
    strip = [line for line in answer.stdout.splitlines() if line and set(line) <= set("|.#crgul")]
    assert len(strip) == 8
    assert {len(line) for line in strip} == {30}


def damaged(directory: Path, at: int, data: bytes) -> Path:
    dump = SAMPLES / "first-print-stale-reuse.bin.gz"
    ram = bytearray(gzip.decompress(dump.read_bytes()))
    ram[at : at + len(data)] = data
    path = directory / "damaged.bin"
    path.write_bytes(bytes(ram))
    return path


@pytest.mark.parametrize(
    ("at", "data", "words"),
    [
        (SECOND, b"\0\0", "block.magic == 0x7B10 is false"),
        (SECOND + 4, b"\0\xff\xff\xf0", "its 0xFFFFF0 bytes from 0x802001F0 leave ram"),
    ],
)
def test_a_damaged_heap_shows_what_came_before(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], at: int, data: bytes, words: str
) -> None:
    path = damaged(tmp_path, at, data)
    where = "after block 0 at 0x80200010 (crate), the block with its header at 0x802001E0: "
    assert main(["heap", str(REUSE), "--dump", str(path), "--json"]) == 1
    answer = json.loads(capsys.readouterr().out)
    assert answer["damaged"] == where + words
    assert [block["owner"] for block in answer["blocks"]] == ["crate"]
    assert main(["heap", str(REUSE), "--dump", str(path)]) == 1
    last = capsys.readouterr().out.splitlines()[-1]
    assert last == f"damaged: {where}{words}; the 1 before it are shown"


def test_a_circle_is_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = damaged(tmp_path, SECOND + 8, struct.pack(">I", 0x8020_0000))
    assert main(["heap", str(REUSE), "--dump", str(path), "--json"]) == 1
    answer = json.loads(capsys.readouterr().out)
    assert answer["damaged"].endswith("is block 0 again, so the list goes in a circle")
    assert len(answer["blocks"]) == 2


def test_no_heap_yet(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = damaged(tmp_path, 0x18_0EB0, bytes(4))
    assert main(["heap", str(REUSE), "--dump", str(path)]) == 0
    assert capsys.readouterr().out.splitlines()[-1] == "no blocks: heap_head is null"


def test_a_schema_without_a_heap(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = files.write(tmp_path)
    assert main(["heap", str(path)]) == 2
    said = capsys.readouterr().err
    assert "t.schema.toml" in said
    assert "describes no heap; add [heap]" in said


def test_read_shows_a_stale_pointer_with_its_value(capsys: pytest.CaptureFixture[str]) -> None:
    words = ["read", str(HOLD), "--watch", "held_x_low"]
    assert main(words) == 0
    line = capsys.readouterr().out.splitlines()[-1]
    assert "0x999A" in line
    assert "freed" in line
    assert line.endswith("courier.held points into a free block (block 2)")
    assert main([*words, "--json"]) == 0
    (reading,) = json.loads(capsys.readouterr().out)["readings"]
    assert (reading["status"], reading["value"]) == ("freed", 0x999A)
    assert (reading["text"], reading["target"]) == ("0x999A", "hit")
    assert reading["address"] == 0x8020_03FE


def test_explain_tells_of_it_where_the_pointer_is_followed(
    capsys: pytest.CaptureFixture[str],
) -> None:
    assert main(["explain", str(HOLD), "held_x_low"]) == 0
    lines = capsys.readouterr().out.splitlines()
    (followed,) = [line for line in lines if line.startswith("courier.held holds")]
    assert followed.split()[2] == "802003D0"
    assert followed.endswith("courier.held points into a free block (block 2)")
    (position,) = [line for line in lines if line.startswith("  .position")]
    assert position.endswith("Vec3")
