"""Walks that lowhalf finds, walked by the running demo game: its own processor has the same bits.

Source of every expected value: the game's own C code (tests/guest/courier.c, angle.c), compiled by
gcc for MIPS and run by QEMU's floating-point unit, which notes the position after every frame.
"""

from __future__ import annotations

import json
import random
import struct
from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from adapters.commands.main import main
from bridge.solvers.walks.answer import Verdict, find_walks
from bridge.solvers.walks.model import Position, Walks
from bridge.solvers.walks.plain import walk_frames
from bridge.solvers.walks.search import Bounds
from bridge.solvers.walks.tables import walks_of
from bridge.solvers.walks.wanted import Wanted
from schemas.moves_file import load_walks
from tests.benchmarks.live_heap import SCHEMA
from tests.guest.build import BUILDS, build_walked_once
from tests.guest.walked.guest import (
    MOVES,
    TABLE_AT,
    TABLE_ENTRIES,
    WalkedGuest,
    tabled_schema,
)

pytestmark = [
    pytest.mark.needs("gcc-mips-linux-gnu", "mips-linux-gnu-gcc", "mips-linux-gnu-nm"),
    pytest.mark.needs("qemu-system-mips", "qemu-system-mips"),
]
COUNTS = [3, pytest.param(200, marks=pytest.mark.full)]


@pytest.fixture(scope="module")
def guest(
    pytestconfig: pytest.Config, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[WalkedGuest]:
    cache = getattr(pytestconfig, "cache", None)
    directory = cache.mkdir("guest") if cache else tmp_path_factory.mktemp("guest")
    elf = build_walked_once(directory, BUILDS[0])
    with WalkedGuest(elf, tmp_path_factory.mktemp("walked")) as running:
        yield running
        assert running.read_symbol_u32("fault") == 0


@pytest.fixture(scope="module")
def walks() -> Walks:
    return walks_of(load_walks(SCHEMA))


def drawn_start(drawn: random.Random) -> Position:
    """Anywhere in a room, at times on a zero of either sign, or where numbers are small."""

    def number() -> int:
        value = drawn.choice((0.0, -0.0, drawn.uniform(-60, 60), drawn.uniform(-1e-4, 1e-4)))
        return int.from_bytes(struct.pack(">f", value), "big")

    return Position({"x": number(), "z": number()}, drawn.randrange(0x10000))


def predicted(walks: Walks, start: Position, names: Sequence[str]) -> list[Position]:
    """The position after every frame: lowhalf's after a move, which has its place at once."""
    moves = {move.name: move for move in walks.moves}
    found = []
    ends = walk_frames(walks, start, [moves[name] for name in names])
    for name, end in zip(names, ends, strict=True):
        assert moves[name].frames == MOVES[name]
        found += [end] * moves[name].frames
    return found


def walked(
    guest: WalkedGuest, names: Sequence[str], start: Position, **how: bool
) -> list[Position]:
    return [
        Position({axis: each.patterns[axis] for axis in "xz"}, each.facing)
        for each in guest.walk(names, start, **how)
    ]


def test_the_game_and_the_schema_name_the_same_moves(walks: Walks) -> None:
    assert {move.name: move.frames for move in walks.moves} == MOVES


@pytest.mark.parametrize("count", COUNTS)
def test_walks_that_are_found_are_walked_to_the_same_bits(
    guest: WalkedGuest, walks: Walks, count: int
) -> None:
    drawn, done = random.Random(16), 0
    while done < count:
        start, axis, want = drawn_start(drawn), drawn.choice("xz"), drawn.randrange(0x10000)
        bounds = Bounds(states=300_000)
        answer = find_walks(walks, start, axis, Wanted(low=want), bounds, others=1)
        assert answer.walks or answer.verdict is Verdict.CUT_SHORT
        for found in answer.walks:
            frames = walked(guest, found.moves, start)
            assert frames == predicted(walks, start, found.moves)
            assert len(frames) == found.frames
            end = frames[-1]
            assert end.patterns[axis] & 0xFFFF == want
            assert end.patterns[axis] == found.end.patterns[axis]
            done += 1


@pytest.mark.parametrize("count", COUNTS)
def test_long_walks_have_the_same_bits_after_every_frame(
    guest: WalkedGuest, walks: Walks, count: int
) -> None:
    drawn, otherwise = random.Random(17), 0
    for _ in range(count):
        start = drawn_start(drawn)
        names = drawn.choices(list(MOVES)[:-1], k=drawn.randrange(50, 200))
        names.insert(drawn.randrange(len(names)), "corner")
        frames = walked(guest, names, start)
        assert frames == predicted(walks, start, names)
        otherwise += frames != predicted(wrong_sine(walks), start, names)
    assert otherwise > 0.9 * count  # in a few, no step is large enough to show it


def wrong_sine(walks: Walks) -> Walks:
    """With sines that are off by one in the last place: what is compared must tell."""
    assert walks.sine is not None
    return replace(walks, sine=np.nextafter(walks.sine, np.float32(2)))


@pytest.mark.parametrize("count", COUNTS)
def test_by_the_table_of_sines_in_its_memory(
    guest: WalkedGuest, tmp_path: Path, count: int
) -> None:
    table = struct.unpack(f">{TABLE_ENTRIES}I", guest.read(TABLE_AT, 4 * TABLE_ENTRIES))
    walks = walks_of(load_walks(tabled_schema(tmp_path / "tabled.schema.toml")), table)
    drawn = random.Random(18)
    for _ in range(count):
        start = drawn_start(drawn)
        names = drawn.choices(list(MOVES)[:-1], k=50)
        assert walked(guest, names, start, tabled=True) == predicted(walks, start, names)


@pytest.mark.parametrize("tabled", [False, pytest.param(True, marks=pytest.mark.full)])
def test_the_command_at_the_running_game(
    guest: WalkedGuest, tmp_path: Path, capsys: pytest.CaptureFixture[str], tabled: bool
) -> None:
    """What it finds from where the courier stands is walked from there, to what was wanted."""
    schema = tabled_schema(tmp_path / "tabled.schema.toml") if tabled else SCHEMA
    bridge = tmp_path / "live.bridge.toml"
    bridge.write_text(
        f'schema = {json.dumps(str(schema))}\n[source]\nkind = "shared"\n'
        f"path = {json.dumps(str(guest.ram_path))}\n"
        '[sampling]\nframe = "frame_began"\n'
        'guard = { began = "frame_began", ended = "frame_ended" }\n'
        '[[watches]]\nname = "room"\nexpr = "current_room.name"\n',
        "utf-8",
    )
    stands = walked(guest, ["run", "circle", "run"], drawn_start(random.Random(19)))[-1]
    want = ("--want-low", "0x2B6D", "--want-between", "-90", "90")
    words = ["solve", "walk", "--bridge", str(bridge), *want, "--others", "0", "--json"]
    assert main(words) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["start"]["bits"] == {n: f"0x{p:08X}" for n, p in stands.patterns.items()}
    end = walked(guest, found["best"]["moves"], stands, tabled=tabled)[-1]
    assert end.patterns["x"] & 0xFFFF == 0x2B6D
    assert found["best"]["end"]["bits"] == {n: f"0x{p:08X}" for n, p in end.patterns.items()}
