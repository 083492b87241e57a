"""``lowhalf query`` on recordings: what it prints, which frames it takes, what it says of bad ones.

What the recorded memory means is known from its making: Python's struct packed it.  The outputs are
read back by Python's csv and json, by webvtt-py, by pyarrow and by DuckDB.
"""

from __future__ import annotations

import csv
import io
import json
import random
import struct
import sys
from collections.abc import Sequence
from importlib.util import find_spec
from pathlib import Path

import pytest
import webvtt

from adapters.commands import query
from adapters.commands.main import main
from adapters.recordings.header import About
from adapters.recordings.recorder import Recorder
from adapters.sessions import recorded_query
from adapters.sessions.from_python import frames, load_bridge
from bridge.memory.address_map import Region, Span
from bridge.ports.source import Consistency

PARQUET = find_spec("pyarrow") is not None and find_spec("duckdb") is not None
"""Neither is among the packages of the tests' CPython for Windows: they are large."""
DEMO = Path("sample_dumps/demo.mcap").absolute()
DEMO_BRIDGE = str(Path("sample_dumps/demo.bridge.toml").absolute())
RAM = 0x8000_0000
SIZE = 0x1000
STARTED = 1_700_000_000.0
SCHEMA = """
[game]
name = "Tidewright"
[memory]
endian = "big"
regions = [{ name = "ram", start = 0x8000_0000, size = 0x1000 }]
[symbols]
tide = "s32"
depth = "f32"
name = "char[8]"
wide = "u64"
far = "u16"
[builds.print]
recognise = [{ at = 0x8000_0800, text = "PRINT 1" }]
at.tide = 0x8000_0100
at.depth = 0x8000_0104
at.name = 0x8000_0110
at.wide = 0x8000_0120
at.far = 0x8000_0E00
"""
BRIDGE = """
schema = "guest.schema.toml"
[source]
kind = "file"
path = "ram.bin"
[[watches]]
name = "level"
expr = "tide * 2"
[[watches]]
name = "called"
expr = "name"
"""
NAMES = ["reed", 'a "b", c', "=1+1", "ebb\n<&>"]


def image(frame: int) -> bytes:
    """The memory of a frame, as a game would have written it."""
    data = bytearray(SIZE)
    data[0x800:0x807] = b"PRINT 1"
    struct.pack_into(">if", data, 0x100, frame - 150, (frame % 7) / 10)
    struct.pack_into("8s", data, 0x110, NAMES[frame // 50 % 4].encode())
    struct.pack_into(">Q", data, 0x120, (1 << 64) - frame)
    struct.pack_into(">H", data, 0xE00, frame)
    return bytes(data)


def recorded(
    path: Path,
    numbers: Sequence[int] = range(100, 300),
    schema: str = SCHEMA,
    bridge: str = BRIDGE,
    close: bool = True,
    ram: int = RAM,
) -> Path:
    """A recording of these frames, each of which is a sixtieth of a second long."""
    about = About(schema, bridge, "print", "the pier", [Region("ram", ram, SIZE)])
    recorder = Recorder(path, about)
    for place, number in enumerate(numbers):
        data = image(number)
        parts = [
            (Span(ram + at, 256), data[at : at + 256])
            for at in range(0, SIZE, 256)
            if not place or at in (0x100, 0xE00)
        ]
        recorder.frame(number, STARTED + place / 60, Consistency.GUARDED, parts)
    if close:
        recorder.close()
    else:
        recorder.abandon()
    return path


def table(text: str) -> list[list[str]]:
    return list(csv.reader(io.StringIO(text, newline=""), strict=True))


def printed(capsys: pytest.CaptureFixture[str], *words: str | Path) -> tuple[int, str, str]:
    code = main(["query", *map(str, words)])
    found = capsys.readouterr()
    return code, found.out, found.err


WATCHES = ("--watch", "t=tide", "d=depth", "name", "wide - 1", "hot=tide > 0", "no=1 / (tide + 20)")


def test_a_row_a_frame_as_csv(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = recorded(tmp_path / "lap.mcap")
    code, out, err = printed(capsys, path, *WATCHES, "--csv", "-")
    assert code == 0
    assert err == (
        "lowhalf: lap.mcap: read by the bridge file and schema that it was recorded with; "
        "--bridge names another\n"
    )
    assert out.count("\r\n") == out.count("\n") == 201  # RFC 4180, 2.1
    rows = table(out)
    assert rows[0] == ["frame", "time", "t", "d", "name", "wide - 1", "hot", "no"]
    assert len(rows) == 201
    for place, (frame, time, tide, depth, name, wide, hot, no) in enumerate(rows[1:]):
        number = 100 + place
        (single,) = struct.unpack(">f", struct.pack(">f", (number % 7) / 10))
        assert int(frame) == number
        assert abs(float(time) - STARTED - place / 60) < 1e-6
        assert int(tide) == number - 150
        assert float(depth) == single
        # a text that a spreadsheet would take for a formula is marked, and no control is passed on
        wanted = NAMES[number // 50 % 4].replace("=1", "'=1").replace("\n", "\\x0a")
        assert name == wanted
        assert int(wide) == (1 << 64) - number - 1
        assert hot == str(number > 150).lower()
        assert no == ("" if number == 130 else repr(1 / (number - 130)))


def test_the_same_bytes_on_every_run(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = recorded(tmp_path / "lap.mcap")
    once = printed(capsys, path, *WATCHES, "--json")
    assert printed(capsys, path, *WATCHES, "--json") == once
    endings = ("csv", "parquet", "vtt") if PARQUET else ("csv", "vtt")
    files = []
    for name in ("a", "b"):
        out = [tmp_path / f"{name}.{ending}" for ending in endings]
        wanted = [word for path in out for word in (f"--{path.suffix[1:]}", path)]
        assert printed(capsys, path, *WATCHES[:4], *wanted)[0] == 0
        files.append([each.read_bytes() for each in out])
    assert files[0] == files[1]


def test_an_object_a_frame_as_json(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = recorded(tmp_path / "lap.mcap")
    code, out, _ = printed(capsys, path, *WATCHES, "--json", "--from", "129", "--to", "131")
    assert code == 0
    rows = [json.loads(line) for line in out.splitlines()]
    assert [list(row) for row in rows] == [["frame", "time", "values", "status"]] * 3
    assert [row["frame"] for row in rows] == [129, 130, 131]
    assert rows[1]["values"] == {
        "t": -20,
        "d": struct.unpack(">f", struct.pack(">f", 0.4))[0],
        "name": "=1+1",
        "wide - 1": (1 << 64) - 131,
        "hot": False,
        "no": None,
    }
    assert rows[1]["status"] == {**dict.fromkeys(rows[1]["values"], "ok"), "no": "error"}


def test_conditions_and_the_first_row(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = recorded(tmp_path / "lap.mcap")
    quiet = (path, "--watch", "t=tide")
    rows = table(printed(capsys, *quiet, "--where", "tide % 50 == 0")[1])
    assert [row[0] for row in rows] == ["frame", "100", "150", "200", "250"]
    code, out, _ = printed(capsys, *quiet, "--first", "tide > 99")
    assert (code, [row[0] for row in table(out)]) == (0, ["frame", "250"])
    both = ("--first", "tide > 20", "--where", "tide % 50 == 0", "--from", "210")
    code, out, _ = printed(capsys, *quiet, *both)
    assert (code, [row[0] for row in table(out)]) == (0, ["frame", "250"])
    code, out, _ = printed(capsys, *quiet, "--first", "tide > 1000")
    assert (code, [row[0] for row in table(out)]) == (1, ["frame"])
    # a condition without a value does not hold
    code, out, _ = printed(capsys, *quiet, "--first", "1 / 0 == 0")
    assert (code, [row[0] for row in table(out)]) == (1, ["frame"])
    # over frames: the first in which the tide is so high, after all before
    code, out, _ = printed(capsys, *quiet, "--first", "count(tide % 10 == 0) == 4")
    assert (code, [row[0] for row in table(out)]) == (0, ["frame", "140"])


def test_a_column_is_known_by_its_name_where_nothing_else_has_that_name(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = recorded(tmp_path / "lap.mcap")
    named = (path, "--watch", "t=tide", "twice=t * 2", "calm=t % 50 == 0")
    rows = table(printed(capsys, *named, "--where", "calm and twice > 0")[1])
    assert [(row[0], *row[2:]) for row in rows[1:]] == [
        ("200", "50", "100", "true"),
        ("250", "100", "200", "true"),
    ]
    # the watch `level` is tide * 2, and `depth` a symbol: both stay what they are
    taken = ("--watch", "level=1", "depth=2", "--where", "level > 198 and depth < 2")
    rows = table(printed(capsys, path, *taken)[1])
    assert [(row[0], *row[2:]) for row in (rows[1], rows[-1])] == [
        ("250", "1", "2"),
        ("299", "1", "2"),
    ]
    rows = table(printed(capsys, path, "--watch", "low=low(wide)", "--first", "low(wide) > 1")[1])
    assert rows[1][0] == "100"
    code, _, err = printed(capsys, path, "--watch", "a=b", "b=a")
    assert code == 2
    assert "watches use each other in a circle: a → b → a" in err


def test_one_frame_and_one_that_is_not_there(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = recorded(tmp_path / "lap.mcap")
    code, out, _ = printed(capsys, path, "--watch", "change(tide)", "--frame", "170")
    assert (code, [row[::2] for row in table(out)]) == (
        0,
        [["frame", "change(tide)"], ["170", "1"]],
    )
    code, _, err = printed(capsys, path, "--watch", "tide", "--frame", "300")
    assert code == 3
    assert err.splitlines()[-1] == (
        "lowhalf: recording lap.mcap: has no frame 300: it holds frames 100 to 299"
    )
    code, _, err = printed(capsys, path, "--frame", "1", "--from", "1")
    assert (code, err) == (2, "lowhalf: expected --frame, or --from and --to, found both\n")


def test_all_watches_of_the_bridge_that_was_recorded(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = recorded(tmp_path / "lap.mcap")
    rows = table(printed(capsys, path, "--to", "101")[1])
    assert [row[::2] for row in rows] == [["frame", "level"], ["100", "-100"], ["101", "-98"]]
    assert rows[0] == ["frame", "time", "level", "called"]
    # a newer schema, in which the same bytes are something else
    newer = tmp_path / "newer.schema.toml"
    newer.write_text(SCHEMA.replace('tide = "s32"', 'tide = "u16"'), "utf-8")
    code, out, err = printed(capsys, path, "--schema", newer, "--to", "100")
    assert (code, table(out)[1][2]) == (0, str(0xFFFF * 2))
    assert err.startswith("lowhalf: lap.mcap: read by the bridge file that it was recorded with; ")
    # another bridge file, which names its own schema
    (tmp_path / "guest.schema.toml").write_text(SCHEMA, "utf-8")
    other = tmp_path / "other.bridge.toml"
    other.write_text(BRIDGE.replace("tide * 2", "tide * 3"), "utf-8")
    code, out, err = printed(capsys, path, "--bridge", other, "--to", "100")
    assert (code, table(out)[1][2], err) == (0, "-150", "")


def test_a_recording_of_another_game(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = recorded(tmp_path / "lap.mcap")
    code, _, err = printed(capsys, path, "--bridge", DEMO_BRIDGE)
    assert code == 3
    assert "no build is recognised: " in err
    assert err.endswith("; it was recorded of build print\n")


@pytest.mark.parametrize(
    ("words", "wanted"),
    [
        (("--watch", "tidee"), "unknown name tidee; did you mean tide?"),
        (("--watch", "a=tide", "a=depth"), "two watches are named a"),
        (("--where", "name"), "is a text, expected true or false"),
        (("--json", "--csv", "-"), "--json and --csv - both print: give --csv a file"),
    ],
)
def test_what_cannot_be_asked(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], words: Sequence[str], wanted: str
) -> None:
    path = recorded(tmp_path / "lap.mcap", range(100, 103))
    code, out, err = printed(capsys, path, *words)
    assert (code, out) == (2, "")
    assert wanted in err


def test_many_recordings_and_bad_ones(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    recorded(tmp_path / "a.mcap", range(100, 103))
    (tmp_path / "b.mcap").write_bytes(b"\x89MCAP0\r\nnothing")
    recorded(tmp_path / "c.mcap", range(200, 203))
    code, out, err = printed(capsys, tmp_path, "--watch", "tide")
    assert code == 1
    names = [str(tmp_path / name) for name in ("a.mcap", "c.mcap")]
    rows = table(out)
    assert rows[0] == ["recording", "frame", "time", "tide"]
    assert [row[0] for row in rows[1:]] == [names[0]] * 3 + [names[1]] * 3
    assert [row[1] for row in rows[1:]] == ["100", "101", "102", "200", "201", "202"]
    assert "b.mcap is not a usable recording" in err
    code, out, _ = printed(capsys, tmp_path, "--watch", "tide", "--first", "tide > -49", "--json")
    found = [json.loads(line) for line in out.splitlines()]
    assert [(row["recording"], row["frame"]) for row in found] == [
        (names[0], 102),
        (names[1], 200),
    ]
    assert printed(capsys, tmp_path / "b.mcap")[0] == 3
    assert printed(capsys, tmp_path / "none.mcap")[0] == 3
    (tmp_path / "empty").mkdir()
    assert printed(capsys, tmp_path / "empty")[0] == 2


def test_all_cores_give_what_one_gives(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    first = recorded(tmp_path / "a.mcap", range(100, 1000))
    recorded(tmp_path / "b.mcap", range(300, 600))
    (tmp_path / "c.mcap").write_bytes(b"\x89MCAP0\r\nnothing")
    asked = [
        (first, *WATCHES, "--json"),
        (first, *WATCHES, "--first", "tide == 700"),
        (first, "--watch", "count(tide % 3 == 0)"),  # which needs the frames before
        (tmp_path, *WATCHES, "--first", "tide == 300"),
    ]
    alone = [printed(capsys, *words) for words in asked]
    assert [code for code, _, _ in alone] == [0, 0, 0, 1]
    monkeypatch.setattr(query, "cores", lambda: 2)
    monkeypatch.setattr(query, "_MANY", 2)
    monkeypatch.setattr(query, "_MUCH", 0)
    monkeypatch.setattr(recorded_query, "_GROUPS_APART", 4)
    assert [printed(capsys, *words) for words in asked] == alone


def test_one_that_was_cut_off(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = recorded(tmp_path / "lap.mcap", close=False)
    code, out, err = printed(capsys, path, "--watch", "tide")
    assert code == 0
    # the last group, of less than a second, was not on the disk
    assert [int(row[0]) for row in table(out)[1:]] == list(range(100, 280))
    assert "lowhalf: lap.mcap: was cut off; what is whole of it is used\n" in err


@pytest.mark.parametrize("count", [30, pytest.param(2000, marks=pytest.mark.full)])
def test_damage_ends_in_words(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], count: int
) -> None:
    whole = recorded(tmp_path / "lap.mcap").read_bytes()
    chance = random.Random(6)
    codes = set()
    for _ in range(count):
        data = bytearray(whole)
        data[chance.randrange(len(data))] ^= 1 << chance.randrange(8)
        path = tmp_path / "bad.mcap"
        path.write_bytes(data)
        code, _, err = printed(capsys, path, "--watch", "tide")
        codes.add(code)
        assert code in (0, 2, 3)
        assert all(line.startswith("lowhalf: ") for line in err.splitlines() if line[:1] != " ")
    assert {0, 3} <= codes


def test_bytes_that_are_not_known(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "part.mcap"
    about = About(SCHEMA, BRIDGE, "print", "the pier", [Region("ram", RAM, SIZE)])
    with Recorder(path, about) as recorder:
        for place in range(6):
            data = image(200 + place)
            parts = [(Span(RAM + 0x100, 256), data[0x100:0x200])]
            if place in (0, 3):
                parts.append((Span(RAM + 0xE00, 256), data[0xE00:0xF00]))
            gone = [Span(RAM + 0xE00, 256)] if place == 2 else []
            recorder.frame(
                *(200 + place, STARTED + place / 60, Consistency.UNGUARDED, parts),
                gone=gone,
                in_part=place in (4, 5),
            )
    code, out, err = printed(capsys, path, "--watch", "tide", "far", "--json")
    assert code == 0
    rows = [json.loads(line) for line in out.splitlines()]
    assert [row["values"]["tide"] for row in rows] == [50, 51, 52, 53, 54, 55]
    assert [row["values"]["far"] for row in rows] == [200, 200, None, 203, 203, 203]
    assert [row["status"]["far"] for row in rows] == ["ok", "ok", "unmapped", "ok", "ok", "ok"]
    assert err.splitlines()[-1] == (
        "lowhalf: part.mcap: 2 of 6 frames were recorded in part: there only what was watched is "
        "sure to be of the frame"
    )


def test_captions(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path, out = recorded(tmp_path / "lap.mcap"), tmp_path / "lap.vtt"
    assert printed(capsys, path, "--watch", "who=name", "odd=tide % 2 == 1", "--vtt", out)[0] == 0
    cues = webvtt.read(str(out)).captions
    assert len(cues) == 200
    half = ("--watch", "who=name", "far // 50", "--vtt", out)
    assert printed(capsys, path, *half)[0] == 0
    cues = webvtt.read(str(out)).captions
    assert [cue.start for cue in cues] == [
        f"00:00:0{n}.{m}" for n, m in ((0, "000"), (0, "833"), (1, "667"), (2, "500"))
    ]
    assert [cue.end for cue in cues] == [
        "00:00:00.833",
        "00:00:01.667",
        "00:00:02.500",
        "00:00:03.333",
    ]
    assert [cue.raw_text for cue in cues] == [
        "who: =1+1\nfar // 50: 2",
        "who: ebb\\x0a&lt;&amp;&gt;\nfar // 50: 3",
        "who: reed\nfar // 50: 4",
        'who: a "b", c\nfar // 50: 5',
    ]


def test_captions_pause_where_no_frame_is_shown(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path, out = recorded(tmp_path / "lap.mcap"), tmp_path / "lap.vtt"
    asked = ("--watch", "kind=1", "--where", "tide % 50 < 25", "--vtt", out)
    assert printed(capsys, path, *asked)[0] == 0
    cues = webvtt.read(str(out)).captions
    # 25 of 50 frames, a sixtieth of a second each
    assert [cue.start[6:] for cue in cues] == ["00.000", "00.833", "01.667", "02.500"]
    assert [cue.end[6:] for cue in cues] == ["00.417", "01.250", "02.083", "02.917"]


@pytest.mark.skipif(not PARQUET, reason="pyarrow and duckdb are not there")
def test_parquet_is_read_by_others(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    import duckdb
    import pyarrow.parquet

    path, out = recorded(tmp_path / "lap.mcap"), tmp_path / "lap.parquet"
    watches = ("--watch", "tide", "name", "wide", "d=depth", "hot=tide > 0", "no=1 / (tide + 20)")
    assert printed(capsys, path, *watches, "--parquet", out)[0] == 0
    found = pyarrow.parquet.read_table(out)
    assert [str(field.type) for field in found.schema] == [
        *("uint64", "double", "int64", "string", "uint64", "double", "bool", "double"),
    ]
    assert found["frame"].to_pylist() == list(range(100, 300))
    assert found["tide"].to_pylist() == [number - 150 for number in range(100, 300)]
    assert found["wide"].to_pylist() == [(1 << 64) - number for number in range(100, 300)]
    assert found["name"].to_pylist() == [NAMES[number // 50 % 4] for number in range(100, 300)]
    assert [place for place, no in enumerate(found["no"].to_pylist()) if no is None] == [30]
    first = duckdb.sql(f"SELECT min(frame), count(*) FROM '{out}' WHERE hot AND name = 'reed'")
    assert first is not None
    assert first.fetchall() == [(200, 50)]
    code, _, err = printed(capsys, path, "--watch", "wide * wide", "--parquet", out)
    assert code == 2
    assert "a value of wide * wide does not fit int64" in err


async def test_every_frame_of_the_demo_is_as_a_live_one(
    capsys: pytest.CaptureFixture[str],
) -> None:
    wanted = []
    async for frame in frames(load_bridge(DEMO_BRIDGE), DEMO):
        wanted.append(
            (
                {r.watch.name: r.value if r.status.has_value else None for r in frame.readings},
                {r.watch.name: str(r.status) for r in frame.readings},
            )
        )
    code, out, _ = printed(capsys, DEMO, "--bridge", DEMO_BRIDGE, "--json")
    assert code == 0
    rows = [json.loads(line) for line in out.splitlines()]
    assert [(row["values"], row["status"]) for row in rows] == wanted
    assert [row["frame"] for row in rows] == list(range(392, 1592))
    # without statuses pointers are not judged, most is evaluated at once, and values are the same
    given = table(printed(capsys, DEMO, "--bridge", DEMO_BRIDGE)[1])
    assert given[0][2:] == list(wanted[0][0])
    for row, (values, _) in zip(given[1:], wanted, strict=True):
        cells = ["" if value is None else str(value) for value in values.values()]
        assert row[2:] == [{"True": "true", "False": "false"}.get(cell, cell) for cell in cells]


def test_without_the_extra_parquet_is_asked_for_in_vain(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    path = recorded(tmp_path / "lap.mcap", range(100, 103))
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    code, _, err = printed(capsys, path, "--watch", "tide", "--parquet", tmp_path / "a.parquet")
    assert code == 2
    assert err.splitlines()[-1] == (
        "lowhalf: Parquet needs pyarrow, which is not installed: pip install 'lowhalf[parquet]'"
    )
    code, out, _ = printed(capsys, path, "--watch", "tide")
    assert (code, len(table(out))) == (0, 4)


def test_a_recording_of_other_memory(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "far.mcap"
    far = Region("far", 0x1000_0000, 0x100)
    with Recorder(path, About(SCHEMA, BRIDGE, "print", "the pier", [far])) as recorder:
        recorder.frame(1, STARTED, Consistency.STILL, [(Span(far.start, far.size), bytes(256))])
    code, _, err = printed(capsys, path, "--watch", "tide")
    assert code == 3
    assert err.splitlines()[-1] == (
        "lowhalf: recording far.mcap: holds no memory of the schema schema.toml: "
        "is it another game's?"
    )


@pytest.mark.parametrize("ram", [0xFFFF_FFFF_8000_0000, 0x7FFF_FFFF_FFFF_0000])
def test_addresses_of_64_bits(tmp_path: Path, capsys: pytest.CaptureFixture[str], ram: int) -> None:
    schema = SCHEMA.replace("0x8000_0", f"0x{ram >> 12:X}_")
    path = recorded(tmp_path / "lap.mcap", range(100, 160), schema, ram=ram)
    code, out, _ = printed(capsys, path, "--watch", "tide", "address(tide)", "at(0x1000, 'u8')")
    assert code == 0
    assert [row[2:] for row in table(out)[1:]] == [
        [str(number - 150), str(ram + 0x100), ""] for number in range(100, 160)
    ]


async def test_a_game_that_is_reset_is_judged_as_a_live_one(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Gaps, a reset and a state that was loaded: what spans frames is as the sampler has it."""
    numbers = [*range(100, 150), *range(156, 200), *range(3, 60), *range(40_000, 40_050)]
    counted = BRIDGE.replace("[[watches]]", '[sampling]\nframe = "far"\n[[watches]]', 1)
    expressions = (
        "count(tide % 5 == 0)",
        "change(tide)",
        "frames_of(tide % 40 < 30)",
        "highest(tide)",
    )
    for place, text in enumerate(expressions):
        counted += f'[[watches]]\nname = "w{place}"\nexpr = "{text}"\n'
    path = recorded(tmp_path / "lap.mcap", numbers, bridge=counted)
    (tmp_path / "guest.schema.toml").write_text(SCHEMA, "utf-8")
    bridge = tmp_path / "guest.bridge.toml"
    bridge.write_text(counted, "utf-8")
    wanted = []
    async for frame in frames(load_bridge(bridge), path):
        readings = {r.watch.name: r.value if r.status.has_value else None for r in frame.readings}
        wanted.append(readings)
    code, out, _ = printed(capsys, path, "--json")
    assert code == 0
    rows = [json.loads(line) for line in out.splitlines()]
    assert [row["frame"] for row in rows] == numbers
    assert [row["values"] for row in rows] == wanted
    counts = [row["values"]["w0"] for row in rows]
    assert counts[50 + 44] < counts[50 + 43]  # the reset was one
