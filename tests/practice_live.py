"""A practice on the real emulated machine, told by real daemons, one of which is held back.

The demo game's practice (`tests/guest/practice.c`) is known frame by frame beforehand.  Two daemons
watch it at once, through the live RAM file: one as it is, the other stopped and let go on by
signals, so that it misses a third of the frames.  What both kept is then held against the script.
"""

from __future__ import annotations

import json
import signal
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from adapters.practice_log.database import open_for_reading, read_attempts
from bridge.practice.attempts import Attempt, Outcome
from tests.bridge.judge import Judgement, Truth, judge
from tests.commands.command import Running
from tests.guest import practice
from tests.guest.machine import GuestMachine

SCHEMA = Path(__file__).parents[1] / "schemas" / "games" / "tidewright.schema.toml"
NAMES = ("normal", "held-back")
STOPPED, LET_GO = 0.034, 0.066
"""Seconds: two frames of six are missed."""


@dataclass(frozen=True)
class Told:
    """What one daemon kept of a practice, and what is to be said of it.

    ``begun`` counts the attempts that had begun when the daemon was told to end.  ``missed`` is
    the share of the attempts' frames that it did not see.
    """

    attempts: Sequence[Attempt]
    begun: int
    judgement: Judgement
    missed: float


def bridge_of(ram: Path, directory: Path, name: str) -> Path:
    """A bridge file to the live RAM, with the practice's steps and attempts."""
    path = directory / f"{name}.bridge.toml"
    path.write_text(
        f"schema = {json.dumps(str(SCHEMA))}\n"
        f'[source]\nkind = "shared"\npath = {json.dumps(str(ram))}\n'
        '[sampling]\nrate = 60\nframe = "frame_began"\n'
        'guard = { began = "frame_began", ended = "frame_ended" }\n'
        '[[watches]]\nname = "held"\nexpr = "owner(courier.held)"\n' + practice.TABLES,
        "utf-8",
    )
    return path


def play(machine: GuestMachine, directory: Path, attempts: int) -> tuple[Told, Told]:
    """A practice of so many attempts; gives what was told at a normal load, and held back."""
    machine.hold("idle", 60)
    files = [bridge_of(machine.ram_path, directory, name) for name in NAMES]
    normal, held_back = (Running("run", str(path), "--quiet") for path in files)
    with normal, held_back:
        for daemon in (normal, held_back):
            daemon.wait_for("build first-print")
        first = machine.command("practice")
        story = practice.story(first)
        enough = story[attempts - 1].ended
        while machine.read_symbol_u32("frame_ended") < enough + 30:
            assert machine.is_running
            held_back.process.send_signal(signal.SIGSTOP)
            time.sleep(STOPPED)
            held_back.process.send_signal(signal.SIGCONT)
            time.sleep(LET_GO)
        for daemon in (normal, held_back):
            daemon.process.terminate()
            assert daemon.process.wait(30) == 0
    last = machine.read_symbol_u32("frame_ended")
    begun = sum(true.began <= last for true in story)
    one, other = (_kept(directory / f"{name}.attempts.sqlite") for name in NAMES)
    return _judged(one, story, enough, begun), _judged(other, story, enough, begun)


def _kept(path: Path) -> list[Attempt]:
    database = open_for_reading(path)
    try:
        return read_attempts(database, running=False)
    finally:
        database.close()


def _judged(
    attempts: Sequence[Attempt], story: Sequence[Truth], last_taken: int, begun: int
) -> Told:
    ended = [a for a in attempts if a.outcome is not Outcome.OPEN]
    frames = sum(attempt.frames or 0 for attempt in ended)
    seen = sum(attempt.frames_seen or 0 for attempt in ended)
    found = judge(ended, story, last_taken)
    return Told(attempts, begun, found, 1 - seen / frames if frames else 1.0)
