"""``lowhalf compare``: every byte that differs is told, by the name that it has.

Bytes are held against numpy, values against Python's struct, and places against what Debian's
gcc-mips-linux-gnu makes of the guest's own header (`offsetof` is ISO C11 7.19) and binutils' nm.
"""

from __future__ import annotations

import gzip
import json
import random
import re
import struct
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from adapters.commands.main import main
from adapters.recordings.changed_lines import changed_lines
from adapters.recordings.header import About
from adapters.recordings.reader import open_recording
from adapters.recordings.recorder import Recorder
from bridge.memory.address_map import Region, Span
from bridge.ports.source import Consistency
from lowhalf import load_schema
from schemas.layout import size_of
from tests.commands import files, practice_files
from tests.guest.machine import symbol_addresses
from tests.schemas.test_layout_against_gcc import claim, compile_c

SAMPLES = Path(__file__).parents[2] / "sample_dumps"
DEMO = SAMPLES / "demo.bridge.toml"
CARRY = SAMPLES / "first-print-carry.bridge.toml"
BASE = 0x8000_0000
NAMES = ["carry", "half-turn", "mist-stair", "stale-hold", "stale-reuse"]

Capture = pytest.CaptureFixture[str]


def compare(capsys: Capture, *words: object, code: int = 1) -> dict[str, Any]:
    assert main(["compare", *map(str, words), "--json"]) == code
    printed = capsys.readouterr()
    assert printed.err == ""
    found: dict[str, Any] = json.loads(printed.out)
    return found


def refused(capsys: Capture, *words: object, code: int = 2) -> str:
    assert main(["compare", *map(str, words)]) == code
    printed = capsys.readouterr()
    assert printed.out == ""
    return printed.err


def dump(name: str) -> Path:
    return SAMPLES / f"first-print-{name}.bin.gz"


def image(path: Path) -> bytes:
    return gzip.decompress(path.read_bytes())


def recorded_image(number: int) -> bytes:
    """All memory of a frame of the demo's recording, laid together from its messages."""
    recording = open_recording(SAMPLES / "demo.mcap")
    memory = recording.memory_before(0)
    for group in range(len(recording.groups)):
        for frame in recording.frames(group):
            memory.apply(frame)
            if frame.number == number:
                found = bytearray(4 << 20)
                for span, data in memory.known(Span(BASE, 4 << 20)):
                    found[span.address - BASE : span.end - BASE] = data
                return bytes(found)
    raise AssertionError(number)


SCHEMA = load_schema(SAMPLES.parent / "schemas" / "games" / "tidewright.schema.toml")
LAYOUT = SCHEMA.builds["first-print"]


def leaf_at(path: str) -> Any:
    """The type of a field that begins with a symbol, or with ``at(0x…, "TYPE")``."""
    begin, steps = re.match(r'(at\(0x\w+, "\w+"\)|\w+)(.*)', path).groups()  # type: ignore[union-attr]
    named = re.fullmatch(r'at\(0x\w+, "(\w+)"\)', begin)
    node: Any = LAYOUT.type(named[1]) if named else LAYOUT.symbols[begin].type
    for field, _ in re.findall(r"\.(\w+)|(\[\d+\])", steps):
        if type(node).__name__ == "PointerTo":
            node = LAYOUT.type(node.target)
        node = node.members[field].type if field else node.subcon
    return node


PAIRS = [
    ("carry", "stale-reuse"),
    ("stale-hold", "stale-reuse"),
    ("half-turn", "mist-stair"),
    ("carry", "carry"),
    ("@500", "@520"),
    ("@1000", "carry"),
]


@pytest.mark.parametrize(("one", "other"), PAIRS)
def test_every_byte_that_differs_is_told_and_no_other(
    one: str, other: str, capsys: Capture
) -> None:
    words, images = [], []
    for name in (one, other):
        recorded = name.startswith("@")
        words.append(f"{SAMPLES / 'demo.mcap'}{name}" if recorded else str(dump(name)))
        images.append(recorded_image(int(name[1:])) if recorded else image(dump(name)))
    a, b = (np.frombuffer(each, np.uint8) for each in images)
    found = compare(capsys, *words, "--bridge", CARRY, code=int(one != other))
    differs = a != b
    told = np.zeros(len(a), bool)
    moved = [d for d in found["differences"] if re.fullmatch(r"block\(0x\w+\)\.start", d["path"])]
    for each in found["differences"]:
        # a block that lies elsewhere in the other moment is compared with what it is there
        elsewhere = any(0 <= each["address"] - block["address"] < 0x240 for block in moved)
        if not each["path"].startswith("block(") and not elsewhere:
            start, size = each["address"] - BASE, size_of(leaf_at(each["path"]))
            assert differs[start : start + size].any(), each
            told[start : start + size] = True
    for each in found["ranges"]:
        start, end = each["address"] - BASE, each["address"] - BASE + each["length"]
        assert differs[start]
        assert differs[end - 1]
        assert each["differing"] == int((differs & ~told)[start:end].sum()) > 0
        told[start:end] = True
    assert np.flatnonzero(differs & ~told).tolist() == []


def test_the_heap_comes_first_and_the_symbols_after(capsys: Capture) -> None:
    found = compare(capsys, dump("carry"), dump("stale-reuse"), "--bridge", CARRY)
    inside = [0x8020_0000 <= each["address"] < 0x8021_0000 for each in found["differences"]]
    assert inside == sorted(inside, reverse=True)
    assert sum(inside) > 20
    assert not all(inside)
    addresses = [each["address"] for each in found["ranges"]]
    assert addresses == sorted(addresses)


@pytest.mark.needs("gcc-mips-linux-gnu", "mips-linux-gnu-gcc", "mips-linux-gnu-nm")
def test_fields_are_where_the_compiler_has_them_and_values_are_those_of_struct(
    elf: Path, capsys: Capture, tmp_path: Path
) -> None:
    a, b = image(dump("carry")), image(dump("stale-reuse"))
    symbols = symbol_addresses(elf)
    found = compare(capsys, dump("carry"), dump("stale-reuse"), "--bridge", CARRY)
    claims, compared = [], 0
    for each in found["differences"]:
        symbol, _, field = each["path"].partition(".")
        of = {"courier": "Actor", "ledger": "Ledger", "mailbox": "Mailbox"}.get(symbol)
        node: Any = leaf_at(each["path"]) if not each["path"].startswith("block(") else None
        if of is None or type(node).__name__ == "BitField" or "held.next" in field:
            continue
        claims.append(
            claim(f"__builtin_offsetof({of}, {field}) == {each['address'] - symbols[symbol]}")
        )
        if type(node).__name__ == "Scalar":
            code = {"u8": "B", "s8": "b", "u16": "H", "s16": "h", "angle16": "H", "u32": "I"}
            code |= {"s32": "i", "u64": "Q", "s64": "q", "f32": "f", "f64": "d"}
            form = ">" + code[node.type_name]
            values = [struct.unpack_from(form, data, each["address"] - BASE)[0] for data in (a, b)]
            assert [each["a"], each["b"]] == values
            compared += 1
    assert compared > 30
    result = compile_c("first-print", "\n".join(claims), tmp_path)
    assert result.returncode == 0, result.stderr


# -- a small dump, byte by byte


def two(folder: Path, *changes: tuple[int, bytes]) -> tuple[Path, Path, Path]:
    """Two dumps that differ by changes (offset, bytes), and the bridge file."""
    bridge = files.write(folder)
    data = files.ram()
    for offset, new in changes:
        data[offset : offset + len(new)] = new
    (folder / "u.bin").write_bytes(data)
    return folder / "t.bin", folder / "u.bin", bridge


def rows(found: dict[str, Any]) -> list[tuple[Any, ...]]:
    return [tuple(each.values()) for each in found["differences"]]


COURIER, LANTERN = files.COURIER, files.LANTERN


def test_a_field_a_gap_and_what_a_pointer_leads_to(tmp_path: Path, capsys: Capture) -> None:
    a, b, bridge = two(
        tmp_path,
        (COURIER + 0x2C, struct.pack(">f", 2.5)),
        (COURIER + 0x10, b"\x01\x02"),
        (LANTERN + 0x34, struct.pack(">f", -0.0)),
        (0x3000, b"\xff" * 3),
        (0x3013, b"\xff"),
        (0x3030, b"\xff"),
    )
    found = compare(capsys, a, b, "--bridge", bridge)
    assert rows(found) == [
        ("courier.position.x", BASE + 0x102C, 0.0, 2.5),
        ("courier.held.position.z", BASE + 0x2034, 0.0, -0.0),
    ]
    assert [tuple(each.values()) for each in found["ranges"]] == [
        (BASE + 0x1010, 2, 2),
        (BASE + 0x3000, 3, 3),
        (BASE + 0x3013, 1, 1),
        (BASE + 0x3030, 1, 1),
    ]
    assert main(["compare", str(a), str(b), "--bridge", str(bridge)]) == 1
    lines = capsys.readouterr().out.splitlines()
    assert lines[0] == "a  frame 1 · build first-print · file t.bin · still"
    assert lines[2].split() == ["courier.position.x", "0x8000102C", "0.0", "2.5", "f32"]
    assert lines[4] == "bytes that nothing names, in 4 ranges:"
    assert lines[5] == "0x80001010  0x2 bytes  2 differ"
    assert main(["compare", str(a), str(a), "--bridge", str(bridge)]) == 0
    assert capsys.readouterr().out.splitlines()[2:] == ["nothing differs"]


def test_pointers_by_what_they_point_at(tmp_path: Path, capsys: Capture) -> None:
    at = COURIER + 0x13C
    # the same thing through a mirror is the same
    a, b, bridge = two(tmp_path, (at, struct.pack(">I", 0xA000_2000)))
    found = compare(capsys, a, b, "--bridge", bridge)
    assert rows(found) == []
    assert [tuple(each.values()) for each in found["ranges"]] == [(BASE + at, 1, 1)]
    for value, words in (
        (BASE + 0x1000, "courier"),
        (0, "null"),
        (BASE + 0x102C, "courier + 0x2C"),
    ):
        a, b, bridge = two(tmp_path, (at, struct.pack(">I", value)))
        (row,) = rows(compare(capsys, a, b, "--bridge", bridge))
        assert row == ("courier.held", BASE + at, "0x80002000", words)


IGNORED = [
    ("courier.position.x", ["courier.position.y", "courier.facing"], 1),
    ("courier.position", ["courier.facing"], 1),
    ("courier", [], 1),
    ("courier.held", ["courier.position.x", "courier.position.y", "courier.facing"], 1),
    ("0x80001000-0x80001FFF", [], 1),
    ("0xA0001000+0x30", ["courier.position.y", "courier.facing"], 1),
    ("0x80003000+0x10", ["courier.position.x", "courier.position.y", "courier.facing"], 0),
]


@pytest.mark.parametrize(("what", "left", "ranges"), IGNORED)
def test_what_is_ignored(
    what: str, left: list[str], ranges: int, tmp_path: Path, capsys: Capture
) -> None:
    changes = [(COURIER + 0x2C, struct.pack(">2f", 2.5, 3.5)), (COURIER + 0xB6, b"\x01\x02")]
    a, b, bridge = two(tmp_path, *changes, (0x3000, b"\xff"))
    found = compare(capsys, a, b, "--bridge", bridge, "--ignore", what)
    assert [each["path"] for each in found["differences"]] == left
    assert len(found["ranges"]) == ranges
    words = (a, b, "--bridge", bridge, "--ignore", "courier", "--ignore", "0x80003000+0x1")
    compare(capsys, *words, code=0)


def test_a_place_behind_a_pointer_is_ignored(tmp_path: Path, capsys: Capture) -> None:
    a, b, bridge = two(tmp_path, (LANTERN + 0x2C, struct.pack(">2f", 2.5, 3.5)))
    found = compare(capsys, a, b, "--bridge", bridge, "--ignore", "courier.held.position.x")
    assert [each["path"] for each in found["differences"]] == ["courier.held.position.y"]
    assert found["ranges"] == []


def test_a_dump_that_holds_less(tmp_path: Path, capsys: Capture) -> None:
    a, b, bridge = two(tmp_path, (COURIER + 0x2C, struct.pack(">f", 2.5)))
    b.write_bytes(b.read_bytes()[:0x1800])
    assert main(["compare", str(a), str(b), "--bridge", str(bridge)]) == 1
    printed = capsys.readouterr()
    assert "courier.position.x" in printed.out
    assert "0x2800 bytes are held by one of them alone, and not compared" in printed.out


def test_two_builds_are_compared_by_paths(tmp_path: Path, capsys: Capture) -> None:
    a, b, bridge = two(tmp_path)
    data = bytearray(files.SIZE)
    data[0x400:0x408] = b"TIDE 2.0"
    ram = files.ram()
    data[0x1800 : 0x1800 + 0x1A0] = ram[COURIER : COURIER + 0x1A0]
    struct.pack_into(">f", data, 0x1800 + 0x30, 4.0)
    data[LANTERN : LANTERN + 0x1A0] = ram[LANTERN : LANTERN + 0x1A0]
    b.write_bytes(data)
    found = compare(capsys, a, b, "--bridge", bridge)
    assert (rows(found), found["ranges"]) == ([("courier.position.y", BASE + 0x1030, 0.0, 4.0)], [])
    found = compare(capsys, dump("carry"), SAMPLES / "second-print-carry.bin.gz", "--bridge", CARRY)
    # the script does the same on both: what is left is where the heap lies
    names = ["version", "heap_start", "heap_end", "heap_checksum"]
    assert [each["path"] for each in found["differences"]] == names
    assert found["ranges"] == []


def test_what_is_wrong_with_the_words(tmp_path: Path, capsys: Capture) -> None:
    a, b, bridge = two(tmp_path)
    lap = SAMPLES / "demo.mcap"
    words = (a, b, "--bridge", bridge)
    assert "--ignore: expected a path, a place or a range: unknown name lamp" in refused(
        capsys, *words, "--ignore", "lamp"
    )
    assert "expected a range that is not empty" in refused(capsys, *words, "--ignore", "0x9-0x8")
    assert refused(capsys, lap, lap, "--bridge", DEMO).endswith(
        f"{lap} is a recording: name a frame of it, {lap}@FRAME, or --align two\n"
    )
    assert "has no frame 3: it holds frames 392 to " in refused(
        capsys, f"{lap}@3", f"{lap}@500", "--bridge", DEMO, code=3
    )
    assert "is a dump, which has no frame 3" in refused(capsys, f"{a}@3", b, "--bridge", bridge)
    assert "no such file" in refused(capsys, tmp_path / "none", b, "--bridge", bridge, code=3)
    assert "t.bin is a dump, which has no frames to go through" in refused(
        capsys, *words, "--align", "courier.kind"
    )
    told = refused(capsys, f"{lap}@500", lap, "--bridge", DEMO, "--align", "x")
    assert told == "lowhalf: --align goes through two recordings from their beginnings\n"
    assert "is a text, expected a number" in refused(
        capsys, lap, lap, "--bridge", DEMO, "--align", "room"
    )


def test_a_recording_that_is_damaged(tmp_path: Path, capsys: Capture) -> None:
    """Cut off and flipped at random places: what is told is either right or why it is not."""
    whole, chance = (SAMPLES / "demo.mcap").read_bytes(), random.Random(11)
    bad, good = tmp_path / "bad.mcap", f"{SAMPLES / 'demo.mcap'}@600"
    ends = []
    for number in range(16):
        data = bytearray(whole[: chance.randrange(len(whole))] if number % 2 else whole)
        for _ in range(number % 4):
            data[chance.randrange(len(data))] ^= 1 << chance.randrange(8)
        bad.write_bytes(data)
        code = main(["compare", f"{bad}@600", good, "--bridge", str(DEMO), "--json"])
        printed = capsys.readouterr()
        if code == 0:
            assert json.loads(printed.out) == {"differences": [], "ranges": []}
        else:
            assert code == 3
            assert "bad.mcap" in printed.err
            assert printed.out == ""
        ends.append(code)
    assert set(ends) == {0, 3}
    bad.write_bytes(whole[:9999])
    told = refused(capsys, f"{bad}@600", good, "--bridge", DEMO, code=3)
    assert f"{bad} is not a usable recording: " in told


def test_a_recording_of_another_game(tmp_path: Path, capsys: Capture) -> None:
    practice_files.write(tmp_path)
    quay = practice_files.SCHEMA.replace("TIDE 1.0", "QUAY 1.0")
    other = quay.partition("[builds.print]")[2].replace("QUAY 1.0", "QUAY 2.0")
    (tmp_path / "p.schema.toml").write_text(f"{quay}[builds.other]{other}", "utf-8")
    words = (f"{tmp_path / 'p.mcap'}@103", f"{tmp_path / 'p.mcap'}@104")
    told = refused(capsys, *words, "--bridge", tmp_path / "p.bridge.toml", code=3)
    assert told.startswith("lowhalf: recording p.mcap: no build is recognised: print wants ")
    assert '"QUAY 1.0" at 0x80000400, found "TIDE 1.0"' in told


# -- two recordings


def record(folder: Path, name: str, first: int, changed_from: int = 1 << 20) -> Path:
    """The courier who practises, from a frame on; later the token is another."""
    about = About(practice_files.SCHEMA, practice_files.BRIDGE, "print", "made", [
        Region("ram", practice_files.BASE, practice_files.SIZE)
    ])  # fmt: skip
    path, before = folder / name, b""
    with Recorder(path, about) as recorder:
        for count, (number, whole) in enumerate(practice_files.images(3)):
            if count < first:
                continue
            data = bytearray(whole)
            # the frame counter says nothing of where in the story it is
            struct.pack_into(">I", data, 0x1000, number + 7 * first)
            data[0x1800] = first  # and nobody knows what this is
            if count >= changed_from:
                data[0x1014] ^= 1
            span = Span(practice_files.BASE, practice_files.SIZE)
            parts = (
                changed_lines(span.address, before, bytes(data))
                if before
                else [(span, bytes(data))]
            )
            recorder.frame(number + 7 * first, 1000 + count / 60, Consistency.SENDER, parts)
            before = bytes(data)
    return path


def test_two_recordings_part_at_the_first_frame_in_which_a_field_differs(
    tmp_path: Path, capsys: Capture
) -> None:
    bridge = practice_files.write(tmp_path)
    a, b = record(tmp_path, "a.mcap", 0), record(tmp_path, "b.mcap", 5, changed_from=61)
    # lap 1 begins with picture 30, lap 2 with 60
    found = compare(capsys, a, b, "--bridge", bridge, "--align", "lap == 1")
    assert (found["same"], found["a"], found["b"]) == (31, 161, 196)
    token = practice_files.BASE + 0x1014
    assert rows(found) == [("token", token, 0x5A5A_1111, 0x5B5A_1111)]
    assert found["ranges"]
    found = compare(
        capsys, a, b, "--bridge", bridge, "--align", "lap == 1", "--ignore", "token", code=0
    )
    assert (found["same"], found["a"], found["differences"]) == (60, None, [])
    assert main(["compare", str(a), str(b), "--bridge", str(bridge), "--align", "lap == 1"]) == 1
    lines = capsys.readouterr().out.splitlines()
    assert lines[0] == "31 frames without a difference, then"
    assert lines[3].split() == ["token", "0x80001014", "1515852049", "1532629265", "u32"]


def test_two_recordings_aligned_on_a_number(tmp_path: Path, capsys: Capture) -> None:
    bridge = practice_files.write(tmp_path)
    a, b = record(tmp_path, "a.mcap", 0), record(tmp_path, "b.mcap", 20, changed_from=30)
    # the first frame of each lap, of b's first lap the first that it has
    words = (a, b, "--bridge", bridge, "--align", "lap", "--ignore", "corner")
    found = compare(capsys, *words)
    assert (found["same"], found["a"], found["b"]) == (1, 130, 270)
    assert [each["path"] for each in found["differences"]] == ["token"]
    nothing = "lap + 0 / (lap - lap)"
    told = refused(capsys, a, b, "--bridge", bridge, "--align", nothing)
    assert told == f"lowhalf: no two frames have the same {nothing}: nothing can be compared\n"


def test_recordings_are_compared_by_the_bridge_file_that_they_hold(capsys: Capture) -> None:
    demo = SAMPLES / "demo.mcap"
    words = [f"{demo}@500", f"{demo}@520"]
    assert main(["compare", *words, "--json"]) == 1
    printed = capsys.readouterr()
    assert printed.err == (
        "lowhalf: demo.mcap: read by the bridge file and schema that it was recorded with; "
        "--bridge names another\n"
    )
    assert json.loads(printed.out) == compare(capsys, *words, "--bridge", DEMO)
    said = refused(capsys, dump("carry"), words[0])
    assert "first-print-carry.bin.gz is no recording, which holds its bridge file" in said
