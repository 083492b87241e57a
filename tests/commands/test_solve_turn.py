"""``lowhalf solve turn`` from where the game stands, in degrees, and to what lies near."""

from __future__ import annotations

import gzip
import json
import struct
import tomllib
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from adapters.commands.main import main
from bridge.solvers.turns import TURN, Move, TurnSearch

SAMPLES = Path(__file__).parents[2] / "sample_dumps"
CARRY = str(SAMPLES / "first-print-carry.bridge.toml")
GAME = Path(__file__).parents[2] / "schemas" / "games" / "tidewright.schema.toml"


def answer(capsys: pytest.CaptureFixture[str], *words: str) -> Any:
    assert main(["solve", "turn", *words, "--json"]) == 0
    return json.loads(capsys.readouterr().out)


@pytest.fixture
def quarter(tmp_path: Path) -> str:
    path = tmp_path / "quarter.toml"
    path.write_text("[moves.quarter]\nadd = 0x4000\n", "utf-8")
    return str(path)


def refusal(capsys: pytest.CaptureFixture[str], *words: str) -> str:
    try:
        code = main(["solve", "turn", *words])
    except SystemExit as left:
        code = int(str(left.code))
    assert code == 2
    return capsys.readouterr().err.splitlines()[-1]


@pytest.mark.parametrize(
    ("text", "units"),
    [
        ("90°", 0x4000),
        ("-90deg", 0xC000),
        ("360°", 0),
        ("0.5 deg", 91),  # 91.02 units
        ("22.5°", 0x1000),
        ("\N{MINUS SIGN}45°", 0xE000),
    ],
)
def test_angles_in_degrees(
    capsys: pytest.CaptureFixture[str], text: str, units: int, quarter: str
) -> None:
    found = answer(capsys, "--from", text, "--to", text, "--moves", quarter)
    assert (found["start"], found["to"]) == (units, units)


def test_what_may_be_off_by_some_units(capsys: pytest.CaptureFixture[str]) -> None:
    """Against the cost of each angle by itself, as the search for one has it."""
    moves = tomllib.loads(GAME.read_text("utf-8"))["moves"]
    search = TurnSearch(
        [
            Move(
                name,
                int(str(table.get("add", 0)), 0),
                table.get("set"),
                table["frames"],
                table.get("limit"),
            )
            for name, table in moves.items()
        ]
    )
    for to, text, units in ((0xFFF0, "0.5°", 91),):
        found = answer(
            capsys, "--from", "0x10", "--to", str(to), "--within", text, "--moves", str(GAME)
        )
        costs = {
            way: frames
            for way in range(-units, units + 1)
            if (frames := search.frames(0x10, (to + way) % TURN)) is not None
        }
        assert found["frames"] == min(costs.values())
        assert costs[found["off"]] == found["frames"]
        assert (found["angle"] - to) % TURN == found["off"] % TURN
        shown = [found["off"], *(each["off"] for each in found["closer"])]
        assert [abs(off) for off in shown] == sorted({abs(off) for off in shown}, reverse=True)
        for earlier, later in pairwise(shown):
            nearer = [frames for way, frames in costs.items() if abs(way) < abs(earlier)]
            assert costs[later] == min(nearer)
        assert shown[-1] == 0


def test_none_of_the_angles_that_would_do(capsys: pytest.CaptureFixture[str], quarter: str) -> None:
    words = ("--from", "0", "--to", "0x1000", "--moves", quarter)
    found = answer(capsys, *words, "--within", "0xFFF")
    assert (found["reachable"], found["angle"], found["off"]) == (False, None, None)
    assert "a multiple of 0x4000" in found["reason"]
    assert (found["below"]["moves"], found["above"]["moves"]) == ([], ["quarter"])
    assert answer(capsys, *words, "--within", "0x1000")["off"] == -0x1000


def test_from_what_the_game_faces(capsys: pytest.CaptureFixture[str], quarter: str) -> None:
    """The angle is read from the dump's own bytes: facing lies 0xB6 behind the courier."""
    words = ("--bridge", CARRY, "--from", "courier.facing", "--to", "90°")
    found = answer(capsys, *words)
    assert (found["frame"], found["build"]) == (151, "first-print")
    data = gzip.decompress((SAMPLES / "first-print-carry.bin.gz").read_bytes())
    schema = tomllib.loads(GAME.read_text("utf-8"))
    at = schema["builds"]["first-print"]["at"]["courier"] - 0x8000_0000 + 0xB6
    (facing,) = struct.unpack_from(">H", data, at)
    assert found["start"] == facing
    assert main(["solve", "turn", *words, "--moves", quarter]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert lines[0].startswith("frame 151 · build first-print")
    assert lines[1] == "from 0x5A00 to 0x4000: -6656 units, -36.56°"
    other = ("--from", "courier.facing + 0x8000", "--to", "0", "--moves", quarter)
    turned = answer(capsys, "--bridge", CARRY, *other)
    assert turned["start"] == (facing + 0x8000) % TURN


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (["--from", "courier.facing"], '"courier.facing" is no angle; for an expression give'),
        (["--from", "361°"], "argument --from: an angle is -360° to 360°, found 361°"),
        (["--from", "0x10000"], "argument --from: an angle is -0xFFFF to 0xFFFF, found 0x10000"),
        (["--from", "0", "--within", "181°"], "argument --within: expected 0° to 180°"),
        (["--from", "0", "--within", "-1"], "argument --within: expected 0 to 0x8000 units"),
        (["--from", "courier.x", "--bridge", CARRY], "Actor has no field x"),
        (["--from", "courier.position.x", "--bridge", CARRY], "expected an angle16"),
        (["--from", "actor_head.previous.facing", "--bridge", CARRY], "has no value in this frame"),
    ],
)
def test_what_is_refused(
    capsys: pytest.CaptureFixture[str], words: list[str], message: str, quarter: str
) -> None:
    try:
        code = main(["solve", "turn", *words, "--to", "0", "--moves", quarter])
    except SystemExit as left:
        code = int(str(left.code))
    assert code == 2
    assert message in capsys.readouterr().err


def test_without_moves_it_is_asked_for_them(capsys: pytest.CaptureFixture[str]) -> None:
    said = refusal(capsys, "--from", "0", "--to", "1")
    assert said == "lowhalf: give --moves FILE.toml, or --bridge for those of its schema"
