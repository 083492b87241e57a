"""``lowhalf sheet``: what it tells, what it writes, and what it refuses."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from adapters.commands.main import main

SAMPLES = Path(__file__).parents[2] / "sample_dumps"
DEMO = SAMPLES / "demo.bridge.toml"

Capture = pytest.CaptureFixture[str]

LITTLE = """
[game]
name = "Tidewright"
[memory]
endian = "little"
regions = [ { name = "ram", start = 0x8000_0000, size = 0x4_0000 } ]
[enums.Mood]
base = "s8"
values = { ebb = -1, slack = 0, flood = 1 }
[structs.Gull]
size = 0x20
[structs.Gull.fields]
x = { at = 0x8, type = "f32" }
mood = { at = 0xC, type = "Mood" }
next = { at = 0x10, type = "Gull*" }
[symbols]
gull = "Gull"
flock = "Gull[8]"
chosen = "u16"
led = "Gull*"
"""
BRIDGE = """
schema = "t.schema.toml"
[source]
kind = "file"
path = "none.bin"
"""


def builds(count: int) -> str:
    return "".join(
        f'[builds.tide-{n}]\nrecognise = [ {{ at = 0x8000_0400, text = "TIDE {n}" }} ]\n'
        f"[builds.tide-{n}.at]\ngull = 0x8000_{n + 1:X}000\nflock = 0x8000_{n + 1:X}100\n"
        f"chosen = 0x8000_0800\nled = 0x8000_{n + 1:X}400\n"
        for n in range(count)
    )


def written(directory: Path, watches: str, count: int = 1, schema: str = LITTLE) -> Path:
    (directory / "t.schema.toml").write_text(schema + builds(count), "utf-8")
    path = directory / "t.bridge.toml"
    path.write_text(BRIDGE + watches, "utf-8")
    return path


def watch(name: str, expr: str, more: str = "") -> str:
    return f"[[watches]]\nname = '{name}'\nexpr = '{expr}'\n{more}\n"


def shown(capsys: Capture, *arguments: object) -> tuple[int, str, str]:
    capsys.readouterr()
    code = main([str(argument) for argument in arguments])
    printed = capsys.readouterr()
    return code, printed.out, printed.err


def sheet_of(capsys: Capture, bridge: Path, *more: object) -> Any:
    code, out, err = shown(capsys, "sheet", bridge, "--json", *more)
    assert code == 0, err
    return json.loads(out)


def rows(text: str, heading: str) -> list[list[str]]:
    """The rows of the tables under a heading of the Markdown."""
    part = text.partition(f"\n## {heading}\n")[2].partition("\n## ")[0]
    lines = [line for line in part.splitlines() if line.startswith("|")]
    return [[cell.strip() for cell in line.strip("|").split(" | ")] for line in lines]


def test_the_demo_on_paper(capsys: Capture) -> None:
    code, out, _ = shown(capsys, "sheet", DEMO)
    assert code == 0
    assert out.startswith("# Tidewright: demo\n")
    fixed = rows(out, "At fixed addresses")
    assert fixed[0] == ["watch", "read", "first-print", "second-print", "export"]
    x = next(row for row in fixed if row[0].startswith("Position x"))
    assert x[1:] == [
        "4 bytes, binary32, to 3 decimals",
        *("`80180B8C`", "`801A028C`", "`801C16BC`"),
    ]
    behind = rows(out, "Behind pointers")
    low = next(row for row in behind if row[0].startswith("Written half"))
    assert low == [
        "Written half `held_x_low`",
        "2 bytes, unsigned, in hexadecimal; position `2C` + low half `2`",
        *["**P** + `2E`"] * 3,
    ]
    assert "+ 0 0 0 0 0 0 2 E\n= 8 0 2 0 0 1 0 E\n" in out
    targets = {row[0]: row[1:] for row in rows(out, "Targets")}
    assert targets["Written half"] == [
        *("0x2000 to 0x2FFF", "`2000` to `2FFF`"),
        "4,096 values; `2` and then any 3 digits",
    ]
    assert targets["Facing"][:2] == ["58.60° to 61.41°", "`29AB` to `2BAB`"]
    assert targets["In hand"][:2] == ["lantern", "`0002`"]
    moves = {row[0]: row[1:4] for row in rows(out, "Moves")}
    assert moves["quarter\\_left"] == ["`−4000` −16,384 units", "−90.00°", "8"]
    assert moves["face\\_lamp"] == ["faces `C000`", "270.00°", "45"]
    never = {row[0]: row[2] for row in rows(out, "Not by hand")}
    assert never["Block in hand `held_block`"] == "it wants a walk over all blocks of the heap"


def test_the_same_files_give_the_same_bytes(tmp_path: Path, capsys: Capture) -> None:
    for form, ending in (("--html", "html"), ("--markdown", "md")):
        both = [tmp_path / f"{n}.{ending}" for n in (1, 2)]
        for path in both:
            assert shown(capsys, "sheet", DEMO, form, path)[0] == 0
        assert both[0].read_bytes() == both[1].read_bytes()
    _, printed, _ = shown(capsys, "sheet", DEMO)
    assert (tmp_path / "1.md").read_text("utf-8") == printed
    assert str(tmp_path) not in (tmp_path / "1.html").read_text("utf-8")
    assert sorted(path.name for path in tmp_path.iterdir()) == ["1.html", "1.md", "2.html", "2.md"]


def test_a_file_that_is_there_stays(tmp_path: Path, capsys: Capture) -> None:
    path = tmp_path / "harbour.html"
    path.write_text("mine", "utf-8")
    code, out, err = shown(capsys, "sheet", DEMO, "--html", path)
    assert (code, out) == (2, "")
    assert err == f"lowhalf: {path}: is there already; --force replaces it\n"
    assert path.read_text("utf-8") == "mine"
    assert shown(capsys, "sheet", DEMO, "--html", path, "--force")[0] == 0
    assert path.read_text("utf-8").startswith("<!doctype html>")


def test_a_file_that_cannot_be_written_leaves_nothing(tmp_path: Path, capsys: Capture) -> None:
    path = tmp_path / "none" / "harbour.html"
    code, out, err = shown(capsys, "sheet", DEMO, "--html", path)
    assert (code, out) == (2, "")
    assert err == f"lowhalf: {path}: cannot be written: no such file or directory\n"
    assert list(tmp_path.iterdir()) == []
    # a directory stands where the file is to be
    code, _, err = shown(capsys, "sheet", DEMO, "--markdown", tmp_path, "--force")
    assert code == 2
    assert f"lowhalf: {tmp_path}: cannot be written: " in err
    assert list(tmp_path.parent.glob("*.new")) == []


def test_builds_that_are_asked_for(tmp_path: Path, capsys: Capture) -> None:
    told = sheet_of(capsys, DEMO, "--build", "export", "--build", "first-print")
    assert [build["build"] for build in told["builds"]] == ["first-print", "export"]
    assert set(told["watches"][0]["recipes"]) == {"first-print", "export"}
    code, _, err = shown(capsys, "sheet", DEMO, "--build", "exprot")
    assert code == 2
    assert err == "lowhalf: the schema has no build exprot; did you mean export?\n"
    bridge = written(tmp_path, 'build = "tide-0"\n' + watch("x", "gull.x"), 2)
    bridge.write_text('build = "tide-0"\n' + BRIDGE + watch("x", "gull.x"), "utf-8")
    assert [each["build"] for each in sheet_of(capsys, bridge)["builds"]] == ["tide-0"]
    code, _, err = shown(capsys, "sheet", bridge, "--build", "tide-1")
    assert code == 2
    assert err == "lowhalf: the bridge file is for tide-0 alone, not tide-1\n"


def test_a_little_endian_half_is_at_the_other_end(tmp_path: Path, capsys: Capture) -> None:
    """Source: what little-endian means: the least significant byte at the lowest address."""
    bridge = written(
        tmp_path,
        watch("low", "low(gull.x)")
        + watch("high", "high(led.x)")
        + watch("second", "byte(gull.x, 2)")
        + watch("mood", "gull.mood", "target = { equals = 'ebb' }"),
    )
    told = {each["name"]: each for each in sheet_of(capsys, bridge)["watches"]}
    place = {
        name: each["recipes"]["tide-0"]["definitions"][-1]["at"]["add"]
        for name, each in told.items()
    }
    base = 0x8000_1000
    assert place == {"low": base + 8, "high": 8 + 2, "second": base + 8 + 2, "mood": base + 0xC}
    assert told["mood"]["target"]["ends"][0]["patterns"] == [["FF", "FF"]]
    _, out, _ = shown(capsys, "sheet", bridge)
    assert "the least significant byte stands first (little-endian)" in out
    fixed = {row[0]: row[1] for row in rows(out, "At fixed addresses")}
    assert fixed["low"] == "2 bytes, unsigned, in decimal; low half, at its beginning"
    assert fixed["second"] == "1 byte, unsigned, in decimal; byte 2 of f32, 2 bytes in"
    assert ["`Mood`", "ebb −1, slack 0, flood 1"] in rows(out, "Names of numbers")


def test_many_builds_stand_in_several_tables_and_what_is_alike_once(
    tmp_path: Path, capsys: Capture
) -> None:
    bridge = written(tmp_path, watch("x", "gull.x") + watch("chosen_one", "chosen"), 6)
    _, out, _ = shown(capsys, "sheet", bridge)
    fixed = rows(out, "At fixed addresses")
    assert [row for row in fixed if row[0] == "watch"] == [
        ["watch", "read", *(f"tide-{n}" for n in range(4))],
        ["watch", "read", "tide-4", "tide-5"],
    ]
    places = [row[2:] for row in fixed if row[0] == "x"]
    assert places == [
        [f"`8000{n + 1:X}008`" for n in range(4)],
        [f"`8000{n + 1:X}008`" for n in (4, 5)],
    ]
    page = tmp_path / "t.html"
    assert shown(capsys, "sheet", bridge, "--html", page)[0] == 0
    text = page.read_text("utf-8")
    assert text.count('<td colspan="4"><samp>80000800</samp></td>') == 1
    assert text.count('<td colspan="2"><samp>80000800</samp></td>') == 1


def test_a_counted_element_of_an_array(tmp_path: Path, capsys: Capture) -> None:
    bridge = written(tmp_path, watch("one", "flock[chosen].x"))
    _, out, _ = shown(capsys, "sheet", bridge)
    one = rows(out, "Worked out from what is read")
    assert one[2:] == [
        ["**V1**", "read 2 bytes, unsigned: `chosen`", "`80000800`"],
        ["**N1**", "`chosen`", "`V1`"],
        ["**V2**", "read 4 bytes, binary32: `flock[chosen].x`", "`80001108` + **N1** × `20`"],
    ]


def test_steps_and_windows_in_words(tmp_path: Path, capsys: Capture) -> None:
    steps = """
[[steps]]
name = "face the sea"
hint = "at the rail"
begin = "chosen > 1"
done = "chosen == 2"
fail = "chosen == 9"
show = "x"
window = { after = "chosen == 1", frames = [11, 14] }
[[steps]]
name = "wait"
done = "chosen == 3"
window = { after = "chosen == 2", frames = [7, 7] }
[attempts]
begins = "chosen == 1"
given_up = "chosen == 0"
keep = ["x"]
"""
    label = 'label = "Position x"'
    bridge = written(tmp_path, watch("x", "gull.x", label) + steps)
    _, out, _ = shown(capsys, "sheet", bridge)
    assert rows(out, "Steps")[2:] == [
        ["**1. face the sea: at the rail**", ""],
        ["begins", "`chosen > 1`"],
        ["done", "`chosen == 2`"],
        ["has failed", "`chosen == 9`"],
        [
            "in time",
            "done in frames 11 to 14 behind the one in which `chosen == 1` becomes true, which is "
            "frame 0",
        ],
        ["look at", "Position x"],
        ["**2. wait**", ""],
        ["done", "`chosen == 3`"],
        [
            "in time",
            "done in frame 7 behind the one in which `chosen == 2` becomes true, which is frame 0",
        ],
    ]
    attempts = out.partition("\n## Attempts\n")[2].partition("\n## ")[0].strip().splitlines()
    assert attempts == [
        "- An attempt begins when `chosen == 1` becomes true.",
        "- It has its success when the last step is done.",
        "- It is given up when `chosen == 0` becomes true.",
        "- One that is open when the next begins is given up, too.",
        "- Write down at its end: Position x.",
    ]
    # what is written alike is told once, with all that it is for
    assert "\n### Step 1, after; Attempt begins\n" in out
    assert "\n### Step 1, done; Step 2, after\n" in out


def test_walks_in_words(tmp_path: Path, capsys: Capture) -> None:
    """The bits of the constants: IEEE 754, taken from numpy's float32 by hand."""
    walks = """
[walks]
position = "gull"
[walks.variables]
speed = "gull.x"
[walks.moves.hop]
doc = "over the rope"
frames = 3
each_frame = true
limit = 2
steps = [ { to = "x", add = 0.375 }, { to = "z", clamp = [-24.7, "0x41F8CCCD"] },
          { to = "y", fused = ["speed", 2, "x"] }, { to = "x", negate = "x" },
          { turn = "-0x0300" } ]
"""
    schema = (
        LITTLE.replace(
            "x = { at = 0x8",
            'y = { at = 0x0, type = "f32" }\nz = { at = 0x4, type = "f32" }\nx = { at = 0x8',
        )
        + walks
    )
    bridge = written(tmp_path, watch("x", "gull.x"), schema=schema)
    told = sheet_of(capsys, bridge)["walks"]
    assert told["variables"] == {"speed": "gull.x"}
    assert told["moves"] == [
        {
            "move": "hop",
            "steps": [
                "x = x + 0.375 (3EC00000)",
                "z = z brought between −24.7 (C1C5999A) and 41F8CCCD",
                "y = speed × 2 (40000000) + x, rounded once",
                "x = −x",
                "turn by −0300 −4.22°",
            ],
            "frames": 3,
            "each_frame": True,
            "limit": 2,
            "doc": "over the rope",
        }
    ]
    _, out, _ = shown(capsys, "sheet", bridge)
    title = "**hop: over the rope (3 frames, its steps in each, at most 2 times)**"
    assert [title, ""] in rows(out, "Walks")


def test_an_expression_over_several_lines_stands_in_one(tmp_path: Path, capsys: Capture) -> None:
    lines = '[[watches]]\nname = \'two\'\nexpr = """\n(gull.x\n   + 1)\n"""\n'
    _, out, _ = shown(capsys, "sheet", written(tmp_path, lines))
    assert "\n`(gull.x + 1)`\n" in out


def test_many_names_stand_in_rows_that_fit_a_page(tmp_path: Path, capsys: Capture) -> None:
    members = ", ".join(f"kind_{n} = {n}" for n in range(100))
    schema = LITTLE.replace("{ ebb = -1, slack = 0, flood = 1 }", f"{{ {members} }}")
    _, out, _ = shown(capsys, "sheet", written(tmp_path, watch("m", "gull.mood"), schema=schema))
    names = rows(out, "Names of numbers")[2:]
    assert [row[0] for row in names] == ["`Mood`", ""]
    assert sum(row[1].count("kind") for row in names) == 100


def test_a_target_that_nothing_hits_is_told(tmp_path: Path, capsys: Capture) -> None:
    target = "target = { near = 1.5, within = 0.25 }"
    bridge = written(tmp_path, watch("low", "low(gull.x)", target))
    _, out, _ = shown(capsys, "sheet", bridge)
    assert ["low", "nothing can", "not stored", ""] in rows(out, "Targets")
    assert "What a target on a low half means" not in out
