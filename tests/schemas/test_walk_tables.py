"""``[walks]``: what a file may say of moves that change a position; every fault with its line."""

from __future__ import annotations

import os
import struct
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from bridge.solvers.walks.tables import lasting_names, uses_facing, walks_of
from schemas.binary32_numbers import constant_pattern
from schemas.compiler import load_schema
from schemas.errors import SchemaError
from schemas.moves_file import load_moves, load_walks

GAME = Path(__file__).parents[2] / "schemas" / "games" / "tidewright.schema.toml"
STEP = "[walks.moves.a]\nsteps = [{step}]"


def written(directory: Path, text: str) -> Path:
    path = directory / "w.toml"
    path.write_text(text, "utf-8")
    return path


def test_a_file_of_walks_alone_and_one_with_both(tmp_path: Path) -> None:
    path = written(
        tmp_path,
        """
        [moves.left]
        add = "-0x4000"
        [walks.sine]
        math = true
        [walks.moves."to the rail"]
        frames = 3
        each_frame = true
        limit = 2
        steps = [
            { to = "step", multiply = ["sin", "0x3F000000"] },
            { to = "x", add = "step" },
            { to = "x", fused = ["cos", 0.5, "x"] },
            { to = "z", clamp = [-4, "x"] },
            { face = 0x4000 },
        ]
        """,
    )
    assert list(load_moves(path)) == ["left"]
    table = load_walks(path)
    assert (lasting_names(table), uses_facing(table)) == (("x", "z"), True)
    walks = walks_of(table)
    (move,) = walks.moves
    assert (move.name, move.frames, move.each_frame, move.limit) == ("to the rail", 3, True, 2)
    assert [(s.operation, s.to, s.operands, s.angle) for s in move.steps] == [
        ("multiply", "step", ("sin", 0x3F00_0000), 0),
        ("add", "x", ("x", "step"), 0),
        ("fused", "x", ("cos", 0x3F00_0000, "x"), 0),
        ("clamp", "z", (0xC080_0000, "x"), 0),
        ("face", "", (), 0x4000),
    ]
    assert walks.sine is not None
    assert walks.sine[0x4000] == 1


def test_the_demo_game_s_sine_is_within_what_its_source_says() -> None:
    """angle.c says that it is off by at most about 0.001."""
    sine = walks_of(load_walks(GAME)).sine
    assert sine is not None
    exact = np.sin(np.arange(0x10000) * (2 * np.pi / 0x10000))
    assert 0.0005 < float(np.max(np.abs(sine - exact))) < 0.0012


def test_a_file_without_walks_says_so(tmp_path: Path) -> None:
    path = written(tmp_path, "[moves.left]\nadd = 1")
    with pytest.raises(SchemaError, match=r"has no \[walks\]: moves that change a position"):
        load_walks(path)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("[walks]", "w.toml:1: walks.moves: is missing"),
        ("[walks.moves.a]\nframes = 0", "w.toml:2: walks.moves.a.frames: expected at least 1"),
        (STEP.format(step="{}"), "expected exactly one operation, such as add or turn, found none"),
        (
            STEP.format(step='{ to = "x", add = 1, set = 2 }'),
            "expected exactly one operation, such as add or turn, found set and add",
        ),
        (STEP.format(step="{ add = 1 }"), "add needs `to`: where its result goes"),
        (STEP.format(step='{ to = "x", turn = 1 }'), "turn is of the angle that is faced"),
        (STEP.format(step='{ to = "x", fused = [1, 2] }'), "fused has 3 operands, found 2"),
        (STEP.format(step='{ to = "x", add = [1, 2, 3] }'), "add has 1 or 2 operands, found 3"),
        (STEP.format(step='{ to = "x", clamp = 3 }'), "clamp has 2 operands, found 1"),
        (STEP.format(step='{ to = "x", clamp = [3, 2] }'), "no number is from 3 to 2"),
        (STEP.format(step='{ to = "w", clamp = [2, 3] }'), "unknown name w"),
        (
            STEP.format(step='{ to = "x", add = "stp" }, { to = "step", set = 1 }'),
            "w.toml:2: walks.moves.a.steps.0.add: unknown name stp",
        ),
        (
            STEP.format(step='{ to = "step", set = 1 }, { to = "x", add = "stp" }'),
            "w.toml:2: walks.moves.a.steps.1.add: unknown name stp; did you mean step?",
        ),
        (
            STEP.format(step='{ to = "x", add = "sin" }'),
            "unknown name sin; add [walks.sine], which says how the game makes it",
        ),
        (STEP.format(step='{ to = "sin", set = 1 }'), "sin is of the angle that is faced"),
        (STEP.format(step='{ to = "x", add = "0x3FG" }'), 'bits such as "0x3EC00000"'),
        (STEP.format(step='{ to = "x", ad = 1 }'), "unknown key; did you mean add?"),
        (
            STEP.format(step='{ to = "x", add = 0x3EC00000 }'),
            'may be meant as bits: write "0x3EC00000" for bits, 1052770304.0 for the number',
        ),
        (STEP.format(step='{ to = "x", add = 1e39 }'), "1e+39 is outside the range of f32"),
        (
            "[walks.sine]\nmath = true\ntable = [0, 1, 0, -1]\n" + STEP.format(step=""),
            "expected exactly one of math, table, symbol and steps, found math and table",
        ),
        (
            "[walks.sine]\ntable = [0, 1, 0]\n" + STEP.format(step=""),
            "expected 4, 8, 16 … 65536 entries, found 3",
        ),
        (
            '[walks.sine]\nsteps = [{ to = "half", set = "angle" }]\n' + STEP.format(step=""),
            "walks.sine.steps: the last step makes no `sin`",
        ),
        (
            '[walks.sine]\nsteps = [{ turn = 1 }, { to = "sin", set = "angle" }]\n'
            + STEP.format(step=""),
            "the steps of a sine neither turn nor face",
        ),
        (
            '[walks]\nvariables = { x = "courier.speed" }\n' + STEP.format(step=""),
            "walks.variables.x: x has a meaning already",
        ),
    ],
)
def test_faults_are_told_with_their_line(tmp_path: Path, text: str, message: str) -> None:
    with pytest.raises(SchemaError) as fault:
        load_walks(written(tmp_path, text))
    said = str(fault.value).removeprefix(f"{tmp_path}{os.sep}")
    assert said.startswith("w.toml:")
    assert message in said


def test_a_schema_s_walks_are_checked_when_it_is_loaded(tmp_path: Path) -> None:
    text = GAME.read_text("utf-8").replace("subtract = 0.0625", 'subtract = "width"')
    path = tmp_path / "t.schema.toml"
    path.write_text(text, "utf-8")
    with pytest.raises(
        SchemaError, match=r"walks.moves.sidle.steps.0.subtract: unknown name width"
    ):
        load_schema(path)


# constants


def test_constants_are_rounded_as_their_decimals_are() -> None:
    """Against the decimal itself as a fraction: no f32 is nearer (IEEE 754-2019 5.12.2)."""
    for text in ("0.1", "0.225", "-24.7", "31.1", "1e-45", "3.4028234e38", "16777217.1", "0.3125"):
        pattern = constant_pattern(float(text))
        near = [
            Fraction(struct.unpack(">f", (pattern + way).to_bytes(4, "big"))[0])
            for way in (-1, 0, 1)
            if (pattern + way) & 0x7F80_0000 != 0x7F80_0000 and pattern + way >= 0
        ]
        value = Fraction(struct.unpack(">f", pattern.to_bytes(4, "big"))[0])
        assert abs(value - Fraction(text)) == min(abs(each - Fraction(text)) for each in near)


def test_a_number_between_two_f32_is_refused() -> None:
    """Its decimal may lie on either side: 1 + 2^-24 + 2^-60 is the same binary64 as 1 + 2^-24."""
    with pytest.raises(ValueError, match="lies in the middle between two f32: write the bits"):
        constant_pattern(1 + 2**-24)
    assert constant_pattern(1 + 2**-24 + 2**-52) == 0x3F80_0001
    with pytest.raises(ValueError, match="in the middle"):
        constant_pattern(2.0**-150)
    assert constant_pattern("0x3F800001") == 0x3F80_0001
    with pytest.raises(ValueError, match="finite"):
        constant_pattern(float("nan"))
