"""The running demo game, a plan that ``lowhalf plan`` makes for it, and ``lowhalf run`` beside it.

Source of every expected value: the game's own blocks (tests/guest/heap.c), and which actions it was
told to do.
"""

from __future__ import annotations

import json
import random
import subprocess
import sys
import tomllib
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.guest.played.guest import PlayedGuest, Standing

pytestmark = [
    pytest.mark.full,
    pytest.mark.needs("gcc-mips-linux-gnu", "mips-linux-gnu-gcc", "mips-linux-gnu-nm"),
    pytest.mark.needs("qemu-system-mips", "qemu-system-mips"),
]

LOWHALF = [sys.executable, "-m", "adapters.commands"]
SLIPS = ("drop_crate", "moor_buoy")
"""These can be done anywhere; a step is one of them at most."""


@pytest.fixture(scope="module")
def guest(
    tmp_path_factory: pytest.TempPathFactory, played_elf: Callable[[str, str | None], Path]
) -> Iterator[PlayedGuest]:
    directory = tmp_path_factory.mktemp("followed")
    with PlayedGuest(played_elf("first-print", None), directory) as running:
        yield running
        assert running.read_symbol_u32("fault") == 0


class Daemon:
    """``lowhalf run --json`` beside a game that stands still until its frame was printed."""

    def __init__(self, guest: PlayedGuest, bridge: Path) -> None:
        self.guest = guest
        self.process = subprocess.Popen(
            [*LOWHALF, "run", "--json", str(bridge)], stdout=subprocess.PIPE, text=True
        )

    def plan(self) -> dict[str, Any]:
        """What is said of the plan in the game's frame."""
        assert self.process.stdout is not None
        number = self.guest.read_symbol_u32("frame_ended")
        for line in self.process.stdout:
            told = json.loads(line)
            if told["frame"] == number:
                plan: dict[str, Any] = told["plan"]
                return plan
        raise AssertionError("the daemon has ended")

    def close(self) -> None:
        self.process.terminate()
        self.process.communicate()

    def do(self, action: str) -> list[dict[str, Any]]:
        """An action with a frame for each effect: what is said of the plan in each."""
        return [self.plan() for _ in self.guest.spread(action)]

    def wait(self, wanted: Callable[[dict[str, Any]], bool]) -> dict[str, Any]:
        """Frames in which nothing is done, until something is said."""
        for _ in range(400):
            self.guest.step()
            if wanted(plan := self.plan()):
                return plan
        raise AssertionError(f"it was never said: {plan}")


def planned(guest: PlayedGuest, directory: Path, drawn: random.Random) -> tuple[Path, list[str]]:
    """A bridge file with a plan of at least three steps for the game as it is, and its actions."""
    bridge = guest.live_bridge(directory).path
    kept = directory / "wanted.plan.toml"
    while True:
        kind = drawn.choice(("gull", "crate", "buoy", "lantern"))
        place = drawn.choice(guest.heap().blocks[:-1]).start + drawn.choice((0, 0x1D0, -0x10, 0x20))
        asked = ["--want", kind, "--at", f"{place:#x}", "--save", str(kept), "--force"]
        done = subprocess.run(
            [*LOWHALF, "plan", str(bridge), *asked, "--seconds", "3"], check=False
        )
        if done.returncode not in (0, 4) or not kept.exists():
            continue
        steps = tomllib.loads(kept.read_text("utf-8")).get("steps", [])
        if len(steps) > 2:
            break
    text = bridge.read_text("utf-8")
    text = text.replace("[[watches]]", f'[plan]\nfile = "{kept.name}"\n[[watches]]', 1)
    bridge.write_text(text, "utf-8")
    return bridge, [step["action"] for step in steps]


@pytest.mark.parametrize("seed", range(4))
def test_a_plan_is_followed_left_and_found_anew(
    guest: PlayedGuest, tmp_path: Path, seed: int
) -> None:
    drawn = random.Random(seed)
    guest.begin()
    for action in drawn.sample(["call_gull", "drop_crate", "moor_buoy", "break_crate"], 3):
        guest.perform(action)
    bridge, actions = planned(guest, tmp_path, drawn)
    daemon = Daemon(guest, bridge)
    try:
        assert daemon.plan()["stand"] == "on"
        slip_at = drawn.randrange(1, len(actions))
        for number, action in enumerate(actions[:slip_at], 1):
            told = daemon.do(action)
            assert {each["stand"] for each in told} <= {"on", "under way"}
            assert told[-1]["done"] == number
            assert told[-1]["next"]["action"] == actions[number]
        daemon.do(next(each for each in SLIPS if each != actions[slip_at]))
        off = daemon.wait(lambda plan: plan["stand"] == "off")
        assert " stands where " in off["difference"]
        address = int(off["difference"].rpartition("0x")[2], 16)
        there = next((b for b in guest.heap().blocks if b.start == address and b.used), None)
        what = "nothing" if there is None else there.owner.replace("_", " ")
        assert what in off["difference"].partition(" stands where ")[0]
        new = daemon.wait(lambda plan: plan["new_plan"] is not None)["new_plan"]
        assert new["found"]
        for step in new["steps"]:
            assert guest.perform(step["action"]) is Standing.DONE
    finally:
        daemon.close()
    goal = tomllib.loads((tmp_path / "wanted.plan.toml").read_text("utf-8"))["goals"][0]
    at = goal["spans"]["first-print"][0]
    assert (goal["kind"], at) in {(b.owner, b.start) for b in guest.heap().blocks if b.used}
