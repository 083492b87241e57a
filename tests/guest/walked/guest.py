"""A guest that walks as it is told, and what its own floating-point unit makes of its position.

``courier.c`` beside this is what the game does; the schema's ``[walks]`` say the same.
"""

from __future__ import annotations

import struct
from collections.abc import Sequence
from pathlib import Path

from bridge.solvers.walks.model import Position
from tests.benchmarks.live_heap import SCHEMA
from tests.guest.build import BUILDS
from tests.guest.machine import RAM_START, GuestMachine

MOVES = {
    "run": 1,
    "stroll": 1,
    "creep": 1,
    "circle": 1,
    "lean_left": 3,
    "lean_right": 1,
    "about_turn": 12,
    "sidle": 1,
    "corner": 50,
}
"""Name → frames; the first is the game's number 0."""
TABLE_ENTRIES = 1024
WALKED_AT = 0x8030_0000
_MAX_MOVES, _MAX_FRAMES = 1024, 4096
_MOVES_AT = WALKED_AT + 0x20
_NOTED_AT = _MOVES_AT + _MAX_MOVES
TABLE_AT = _NOTED_AT + 16 * _MAX_FRAMES
_COMMAND_AT, _HOLD_AT = 0x04, 0x14
_WALK_NOW = 0x400


class WalkedGuest(GuestMachine):
    """A walked game, which stands still whenever it is not told to walk."""

    def __init__(self, elf: Path, directory: Path) -> None:
        super().__init__(elf, directory, timeout_seconds=60.0)
        self.command("idle", load="swift", hold_at=1)
        self.wait_for_script_frame(1)

    def walk(
        self, moves: Sequence[str], start: Position, *, tabled: bool = False
    ) -> list[Position]:
        """The courier's position after each frame of these moves, begun at *start*."""
        frames = sum(MOVES[move] for move in moves)
        numbers = bytes(list(MOVES).index(move) for move in moves)
        place = [start.patterns.get(axis, 0) for axis in "xyz"]
        self._write(_MOVES_AT, numbers)
        self._write(WALKED_AT, struct.pack(">7I", len(moves), 0, tabled, start.facing, *place))
        mailbox = self.symbols["mailbox"]
        self._write(mailbox + _COMMAND_AT, struct.pack(">I", _WALK_NOW))
        number = self.read_symbol_u32("frame_ended")
        held = self.read_symbol_u32("script_frame")
        # one frame more, in which the last one is noted
        self._write(mailbox + _HOLD_AT, struct.pack(">I", held + frames + 1))
        self.wait_for_frame(number + frames + 1)
        assert self.read_u32(WALKED_AT + 4) == frames
        noted = self.read(_NOTED_AT, 16 * frames)
        return [
            Position(dict(zip("xyz", row[:3], strict=True)), row[3])
            for row in struct.iter_unpack(">4I", noted)
        ]

    def _write(self, address: int, data: bytes) -> None:
        with self.ram_path.open("rb+", buffering=0) as ram:
            ram.seek(address - RAM_START)
            ram.write(data)


def tabled_schema(path: Path) -> Path:
    """Writes the game's schema with the table of sines that stands in a walked game's memory."""
    text = SCHEMA.read_text("utf-8")
    head, _, rest = text.partition("[walks.sine]")
    _, _, moves = rest.partition("[walks.moves.run]")
    text = f'{head}[walks.sine]\nsymbol = "sine_table"\n[walks.moves.run]{moves}'
    text = text.replace("[symbols]\n", f'[symbols]\nsine_table = "f32[{TABLE_ENTRIES}]"\n')
    for build in BUILDS:
        at = f"[builds.{build.name}.at]\n"
        text = text.replace(at, f"{at}sine_table = {TABLE_AT:#x}\n")
    path.write_text(text, "utf-8")
    return path
