"""``lowhalf solve walk``: what it finds, proves and refuses, as text and as JSON.

Walks are walked again here by ``struct`` and Python's floats alone, as the demo game's C code does
it (``tests/guest/courier.c``, ``tests/guest/angle.c``).
"""

from __future__ import annotations

import gzip
import itertools
import json
import signal
import struct
import tomllib
from pathlib import Path
from typing import Any

import pytest

from adapters.commands.main import main
from bridge.solvers.walks.search import WalkSearch
from tests.commands import files

SAMPLES = Path(__file__).parents[2] / "sample_dumps"
CARRY = str(SAMPLES / "first-print-carry.bridge.toml")
GAME = Path(__file__).parents[2] / "schemas" / "games" / "tidewright.schema.toml"
GIVEN = ("--moves", str(GAME), "--from", "1.7,0,28.7", "--facing", "0x1234")
RAIL = """
[walks.moves.sidle]
steps = [{ to = "x", add = 0.375 }, { to = "x", clamp = [-2, 3] }]
[walks.moves.slide]
frames = 4
each_frame = true
steps = [{ to = "x", subtract = 0.125 }]
"""


def f32(value: float) -> float:
    number: float = struct.unpack(">f", struct.pack(">f", value))[0]
    return number


def answer(capsys: pytest.CaptureFixture[str], code: int, *words: str) -> Any:
    assert main(["solve", "walk", *words, "--json"]) == code
    return json.loads(capsys.readouterr().out)


def sine(angle: int) -> float:
    half_turns = f32(((angle & 0xFFFF ^ 0x8000) - 0x8000) / 32768)
    parabola = f32(f32(4 * half_turns) * f32(1 - abs(half_turns)))
    return f32(parabola * f32(f32(0.775) + f32(f32(0.225) * abs(parabola))))


def walked(moves: list[str], x: float, facing: int) -> tuple[float, int]:
    """As the game's own source has it; the moves that the test below may find."""
    speeds = {"run": 0.5, "stroll": 0.3125, "creep": 0.25, "circle": 0.375}
    turns = {"circle": 0x0100, "lean_left": -0x0300, "lean_right": 0x0123, "about_turn": 0x8000}
    for move in moves:
        facing = (facing + turns.get(move, 0)) & 0xFFFF
        if move == "sidle":
            x = min(max(f32(x - 0.0625), f32(-24.7)), f32(31.1))
        elif move == "corner":
            x = f32(1.7)
        else:
            x = f32(x + f32(sine(facing) * speeds.get(move, 0.0)))
    return x, facing


def test_a_walk_from_where_the_game_stands(capsys: pytest.CaptureFixture[str]) -> None:
    found = answer(capsys, 0, "--bridge", CARRY, "--want-low", "0x2B6D", "--others", "2")
    data = gzip.decompress((SAMPLES / "first-print-carry.bin.gz").read_bytes())
    at = tomllib.loads(GAME.read_text("utf-8"))["builds"]["first-print"]["at"]["courier"]
    x, _, z = struct.unpack_from(">fff", data, at - 0x8000_0000 + 0x2C)
    (facing,) = struct.unpack_from(">H", data, at - 0x8000_0000 + 0xB6)
    assert found["start"]["values"] == {"x": x, "z": z}
    assert (found["start"]["facing"], found["frame"], found["build"]) == (
        facing,
        151,
        "first-print",
    )
    walks = [found["best"], *found["others"]]
    assert len(walks) == 3
    for walk in walks:
        end, faced = walked(walk["moves"], x, facing)
        bits = struct.unpack(">I", struct.pack(">f", end))[0]
        assert bits & 0xFFFF == 0x2B6D
        assert (walk["end"]["bits"]["x"], walk["end"]["facing"]) == (f"0x{bits:08X}", faced)
    assert found["verdict"] == "cheapest"
    assert [w["frames"] for w in walks] == sorted(w["frames"] for w in walks)


def test_that_there_is_none_within_some_moves_is_proved(capsys: pytest.CaptureFixture[str]) -> None:
    """All sequences of three are walked here, too: their states are counted in a set."""
    found = answer(capsys, 1, *GIVEN, "--want-low", "0x2B6D", "--within-moves", "3")
    names = list(tomllib.loads(GAME.read_text("utf-8"))["walks"]["moves"])
    states = set[tuple[bytes, int, int]]()
    for count in range(4):
        for moves in itertools.product(names, repeat=count):
            if moves.count("corner") <= 1:
                x, facing = walked(list(moves), f32(1.7), 0x1234)
                states.add((struct.pack(">f", x), facing, moves.count("corner")))
    assert not any(bits[2:] == b"\x2b\x6d" for bits, _, _ in states)
    assert (found["verdict"], found["best"]) == ("not within the bounds", None)
    assert found["states"] == len(states)
    assert found["reason"] == (
        f"all {len(states)} states that can be reached within 3 moves were looked at"
    )


@pytest.fixture
def rail(tmp_path: Path) -> str:
    path = tmp_path / "rail.toml"
    path.write_text(RAIL, "utf-8")
    return str(path)


def test_as_text(capsys: pytest.CaptureFixture[str], rail: str) -> None:
    words = ["solve", "walk", "--moves", rail, "--from", "0,0,0", "--want-between", "2.9", "3"]
    assert main([*words, "--others", "1"]) == 0
    assert capsys.readouterr().out.splitlines() == [
        "from x = 0.0 (0x00000000); wanted: 2.9 to 3",
        "1. 8 frames  8 moves  8 × sidle  x = 3.0 (0x40400000)  also from frame 8 to 248 at least",
        "every cheaper walk was looked at; 35 states in all",
        "no further walks were looked for",
    ]
    assert main([*words, "--want-low", "1", "--within-frames", "40"]) == 1
    assert capsys.readouterr().out.splitlines() == [
        "from x = 0.0 (0x00000000); wanted: 2.9 to 3 and low half 0x0001",
        "not within these bounds: all 59 states that can be reached within 40 frames were "
        "looked at",
    ]


def test_a_value_in_the_midst_of_a_move(capsys: pytest.CaptureFixture[str], rail: str) -> None:
    words = ("--moves", rail, "--from", "3,0,0")
    found = answer(capsys, 0, *words, "--want-exact", "2.75", "--others", "0")
    assert (found["best"]["frames"], found["best"]["last_frames"]) == (2, 2)
    assert main(["solve", "walk", *words, "--want-exact", "2.75", "--others", "0"]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert lines[1] == "1. 2 frames  1 move  slide for 2 frames  x = 2.75 (0x40300000)  " + (
        "in that frame alone"
    )


@pytest.mark.parametrize(
    ("words", "code", "bits"),
    [
        (["--want-bits", "0x3F400000"], 0, "0x3F400000"),
        (["--want-high", "0x3F40"], 0, "0x3F400000"),
        (["--want-between", "0.7", "0.8"], 0, "0x3F400000"),
        (["--want-exact", "0.75"], 0, "0x3F400000"),
        (["--want-low", "0", "--want-between", "0.7", "0.8"], 0, "0x3F400000"),
        (["--want-low", "1", "--want-between", "0.7", "0.8", "--within-frames", "9"], 1, None),
    ],
)
def test_what_may_be_wanted(
    capsys: pytest.CaptureFixture[str], rail: str, words: list[str], code: int, bits: str | None
) -> None:
    found = answer(capsys, code, "--moves", rail, "--from", "0,0,0", "--others", "0", *words)
    assert (found["best"] and found["best"]["end"]["bits"]["x"]) == bits


def test_what_is_cut_short_says_so(capsys: pytest.CaptureFixture[str]) -> None:
    words = [*GIVEN, "--want-exact", "-800", "--states", "5000"]
    found = answer(capsys, 4, *words)
    assert (found["verdict"], found["best"]) == ("cut short", None)
    assert "nothing is proved but that it takes at least" in found["reason"]
    assert main(["solve", "walk", *words]) == 4
    assert "none was found: there is room for no more after" in capsys.readouterr().out
    assert main(["solve", "walk", *GIVEN, "--want-exact", "-800", "--seconds", "1e-9"]) == 4
    assert "the search was ended after 1 state: nothing is proved" in capsys.readouterr().out


def test_variables_are_given_or_read(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    path = tmp_path / "slope.toml"
    path.write_text(
        '[walks]\nvariables = { speed = "courier.speed" }\n[walks.moves.slip]\nsteps = ['
        '{ to = "speed", add = 0.25 }, { to = "x", add = "speed" }]\n',
        "utf-8",
    )
    words = ("--moves", str(path), "--want-exact", "1.75", "--others", "0")
    found = answer(capsys, 0, *words, "--from", "0,0,0", "--with", "speed=0.5")
    assert found["best"]["moves"] == ["slip"] * 2  # by 0.75, then by 1
    found = answer(capsys, 1, *words, "--bridge", CARRY, "--from", "0,0,0", "--within-moves", "1")
    assert found["start"]["values"] == {"x": 0.0, "speed": 0.375}


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (["--want-low", "1"], "give --moves FILE.toml, or --bridge for those of its schema"),
        ([*GIVEN], "give what is wanted: --want-low, --want-between"),
        ([*GIVEN, "--want-low", "0x10000"], "argument --want-low: a half is 0 to 0xFFFF"),
        ([*GIVEN, "--want-low", "1", "--axis", "zz"], "no move uses or changes zz; did you mean"),
        ([*GIVEN, "--want-low", "1", "--axis", "y"], "no move uses or changes y"),
        (
            [*GIVEN[:4], "--want-low", "1"],
            "courier.facing is to be read in the game: give --bridge",
        ),
        ([*GIVEN[:2], "--facing", "0", "--want-low", "1"], "courier.position.x is to be read in"),
        ([*GIVEN[:2], "--from", "1,2", "--want-low", "1"], "expected three numbers x,y,z"),
        ([*GIVEN, "--want-between", "2", "1"], "the first is above the second"),
        ([*GIVEN, "--want-exact", "east"], '"east": expected a number in decimal or 0x form'),
        ([*GIVEN, "--want-bits", "0x7F800000"], "0x7F800000 is no finite f32"),
        ([*GIVEN, "--want-low", "1", "--with", "sped=1"], "expected a variable of [walks]"),
        ([*GIVEN, "--want-low", "1", "--seconds", "0"], "--seconds must be above 0"),
        (["--bridge", CARRY, "--from", "courier", "--want-low", "1"], "Actor has no field x"),
        (
            ["--bridge", CARRY, "--facing", "courier.position.x", "--want-low", "1"],
            "expected an angle16",
        ),
    ],
)
def test_what_is_refused(
    capsys: pytest.CaptureFixture[str], words: list[str], message: str
) -> None:
    try:
        code = main(["solve", "walk", *words])
    except SystemExit as left:
        code = int(str(left.code))
    assert code == 2
    assert message in capsys.readouterr().err


@pytest.mark.parametrize(
    ("key", "old", "new", "message"),
    [
        ("position", "courier.position", "courier.trim", "s16[4] has no fields"),
        ("position", "courier.position", "courier.positon", "did you mean position?"),
        (
            "facing",
            "courier.facing",
            "courier.timer",
            "courier.timer is a u16, expected an angle16",
        ),
        ("facing", "courier.facing", "courier.speed", "expected an angle16 (build first-print)"),
    ],
)
def test_check_looks_at_what_walks_read(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], key: str, old: str, new: str, message: str
) -> None:
    text = GAME.read_text("utf-8")
    line = next(line for line in text.splitlines() if line.startswith(key) and old in line)
    (tmp_path / "t.schema.toml").write_text(text.replace(line, line.replace(old, new)), "utf-8")
    bridge = tmp_path / "t.bridge.toml"
    bridge.write_text('schema = "t.schema.toml"\n[source]\nkind = "file"\npath = "t.bin"\n')
    assert main(["check", str(bridge)]) == 2
    said = capsys.readouterr().err
    assert f"walks.{key}: " in said
    assert message in said


def test_a_signal_ends_the_search_with_what_it_has(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Ctrl-C comes in the third slice."""
    slices = 0
    advance = WalkSearch.advance

    def third(search: WalkSearch) -> bool:
        nonlocal slices
        slices += 1
        if slices == 3:
            signal.raise_signal(signal.SIGINT)
        return advance(search)

    monkeypatch.setattr(WalkSearch, "advance", third)
    assert main(["solve", "walk", *GIVEN, "--want-exact", "-800", "--seconds", "60"]) == 4
    assert slices == 3
    assert "none was found: the search was ended after" in capsys.readouterr().out


def test_a_table_of_sines_in_the_game_s_memory(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Eight entries: an angle takes the one at or before it, a cosine that of a quarter behind."""
    schema = files.SCHEMA.replace("[symbols]\n", '[symbols]\nsines = "f32[8]"\n')
    schema = schema.replace("at = { courier", "at = { sines = 0x80003000, courier")
    schema += """
[walks]
position = "courier.position"
facing = "courier.facing"
[walks.sine]
symbol = "sines"
[walks.moves.step]
steps = [{ to = "x", add = "sin" }, { to = "z", add = "cos" }]
"""
    data = files.ram()
    table = [0.0, 0.75, 1.0, 0.5, 0.25, -0.75, -1.0, -0.5]
    struct.pack_into(">8f", data, 0x3000, *table)
    struct.pack_into(">3f", data, files.COURIER + 0x2C, 1.5, 0.0, -2.0)
    struct.pack_into(">H", data, files.COURIER + 0xB6, 0x3FFF)
    path = files.write(tmp_path, bytes(data))
    path.with_name("t.schema.toml").write_text(schema, "utf-8")
    words = ("--bridge", str(path), "--want-exact")
    found = answer(capsys, 0, *words, "3", "--others", "0")
    assert (found["best"]["frames"], found["best"]["end"]["values"]["z"]) == (2, -1.0)
    found = answer(capsys, 0, *words, "-1.5", "--axis", "z", "--others", "0")
    assert found["best"]["frames"] == 1
