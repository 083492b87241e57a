"""Moves: in a schema file, or in a file of their own."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from schemas.errors import SchemaError
from schemas.moves_file import load_moves

GAME = Path(__file__).parents[2] / "schemas" / "games" / "tidewright.schema.toml"


def written(directory: Path, text: str) -> Path:
    path = directory / "m.toml"
    path.write_text(text, "utf-8")
    return path


def test_moves_of_their_own_file_in_its_order(tmp_path: Path) -> None:
    text = """
    [moves.quarter-left]
    add = "-0x4000"
    frames = 8
    [moves."face the sea"]
    set = 0x4000
    limit = 1
    """
    moves = load_moves(written(tmp_path, text))
    assert list(moves) == ["quarter-left", "face the sea"]
    left, sea = moves.values()
    assert (left.add, left.set, left.frames, left.limit) == (-0x4000, None, 8, None)
    assert (sea.add, sea.set, sea.frames, sea.limit) == (None, 0x4000, 1, 1)


def test_a_schema_file_gives_its_moves() -> None:
    moves = load_moves(GAME)
    assert moves["quarter_left"].add == -0x4000
    assert moves["face_sea"].set == 0x4000


def test_a_file_without_moves_has_none(tmp_path: Path) -> None:
    assert load_moves(written(tmp_path, "")) == {}


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("[moves.a]\nframes = 1", "m.toml:1: moves.a: expected exactly one of add and set"),
        ("[moves.a]\nadd = 1\nset = 2", "m.toml:1: moves.a: expected exactly one of add and set"),
        ("[moves.a]\nad = 1", "m.toml:2: moves.a.ad: unknown key; did you mean add?"),
        ("[moves.a]\nadd = 1.5", "m.toml:2: moves.a.add: expected an integer, found 1.5"),
        (
            "[moves.a]\nadd = 0x10000",
            "m.toml:2: moves.a.add: expected at most 65535, found 65536",
        ),
        (
            '[moves.a]\nadd = "left"',
            'm.toml:2: moves.a.add: expected an angle such as 0x4000 or "-0x4000", found "left"',
        ),
        (
            "[moves.a]\nadd = 1\nframes = -1",
            "m.toml:3: moves.a.frames: expected at least 0, found -1",
        ),
        (
            "[moves.a]\nadd = 1\nlimit = -1",
            "m.toml:3: moves.a.limit: expected at least 0, found -1",
        ),
        ("[move.a]\nadd = 1", "m.toml:1: move: unknown key; did you mean moves?"),
        ("[moves.a", "m.toml:1: is not TOML: expected ']' at the end of a table declaration"),
    ],
)
def test_faults_are_told_with_their_line(tmp_path: Path, text: str, message: str) -> None:
    with pytest.raises(SchemaError) as fault:
        load_moves(written(tmp_path, text))
    assert str(fault.value).removeprefix(f"{tmp_path}{os.sep}") == message
