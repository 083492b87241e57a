"""``lowhalf plan`` at the running demo game: what it prints is played, and has to come true.

Source of every expected value: the game's own C code, and its own walk along its blocks, whose
checksum lowhalf's walk must come to in every moment that is compared.
"""

from __future__ import annotations

import json
import random
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import pytest

from adapters.commands.main import main
from bridge.planning.model import Placed
from tests.guest.build import BUILDS
from tests.guest.machine import RAM_SIZE, RAM_START
from tests.guest.played.guest import PlayedGuest, Standing
from tests.guest.played.wanted import after_a_walk, drawn_goals

pytestmark = [
    pytest.mark.needs("gcc-mips-linux-gnu", "mips-linux-gnu-gcc", "mips-linux-gnu-nm"),
    pytest.mark.needs("qemu-system-mips", "qemu-system-mips"),
]
NAMES = tuple(build.name for build in BUILDS)
Capture = pytest.CaptureFixture[str]


Running = Callable[[str], PlayedGuest]


@pytest.fixture(scope="module")
def running(
    tmp_path_factory: pytest.TempPathFactory, played_elf: Callable[[str, str | None], Path]
) -> Iterator[Running]:
    """Gives the running game of a build, which is started once."""
    started: dict[str, PlayedGuest] = {}
    with ExitStack() as stack:

        def get(name: str) -> PlayedGuest:
            if name not in started:
                guest = PlayedGuest(played_elf(name, None), tmp_path_factory.mktemp(name))
                started[name] = stack.enter_context(guest)
            return started[name]

        yield get


@pytest.fixture
def guests(running: Running) -> list[PlayedGuest]:
    """The running game of every build."""
    return [running(name) for name in NAMES]


def planned(capsys: Capture, *words: str) -> tuple[int, dict[str, Any]]:
    capsys.readouterr()
    code = main(["plan", *words, "--json"])
    found: dict[str, Any] = json.loads(capsys.readouterr().out)
    return code, found


def laid(guest: PlayedGuest) -> list[dict[str, Any]]:
    """The game's blocks as the command's JSON has them."""
    return [
        {"start": block.start, "size": block.size, "used": block.used, "owner": block.owner}
        for block in guest.heap().blocks
    ]


def play(guests: Sequence[PlayedGuest], found: dict[str, Any]) -> int:
    """Do what a plan says; gives how many layouts were those predicted, which is all."""
    by_build = {guest.elf.stem: guest for guest in guests}
    assert {build: laid(by_build[build]) for build in found["builds"]} == found["start"]
    compared = 0
    for step in found["steps"]:
        assert list(step["layout"]) == found["builds"]
        for build in found["builds"]:
            assert by_build[build].perform(step["action"]) is Standing.DONE
            assert laid(by_build[build]) == step["layout"][build]
            compared += 1
    return compared


def dumped(guests: Sequence[PlayedGuest], directory: Path) -> list[str]:
    paths = []
    for guest in guests:
        path = directory / f"{guest.elf.stem}.bin"
        path.write_bytes(guest.read(RAM_START, RAM_SIZE))
        paths.append(str(path))
    return paths


def wished(
    guests: Sequence[PlayedGuest], seed: str, longest: int, *, of_each: bool = False
) -> list[str]:
    """Bring the games to where a walk leads; what a further one leads to, as options say it.

    The address is the first game's, or *of_each*.
    """
    drawn = random.Random(seed)
    task = after_a_walk(guests, None, drawn)
    while True:
        goal, *_ = drawn_goals(task, drawn, drawn.randint(1, longest))
        if isinstance(goal, Placed):
            starts = {build: f"{start:#x}" for build, (start, _) in goal.spans.items()}
            each = ",".join(f"{build}={start}" for build, start in starts.items())
            where = each if of_each else starts[guests[0].elf.stem]
            return ["--want", str(goal.kind), "--at", where, "--frames", "2000"]


def test_a_plan_from_the_live_game_comes_true(
    running: Running, capsys: Capture, tmp_path: Path
) -> None:
    guest = running(NAMES[0])
    words = wished([guest], "live", 4)
    bridge = str(guest.live_bridge(tmp_path).path)
    code, found = planned(capsys, bridge, *words)
    assert code == 0
    assert play([guest], found) > 0


@pytest.mark.full
@pytest.mark.parametrize("number", range(10))
def test_a_plan_from_dumps_of_all_builds_comes_true_on_all(
    number: int, guests: list[PlayedGuest], capsys: Capture, tmp_path: Path
) -> None:
    words = wished(guests, f"dumps {number}", 8, of_each=True)
    bridge = str(guests[0].live_bridge(tmp_path).path)
    code, found = planned(capsys, bridge, "--dump", *dumped(guests, tmp_path), *words)
    assert code in (0, 1, 4)
    compared = play(guests, found)
    assert compared == len(NAMES) * len(found["steps"])


@pytest.mark.full
def test_plans_for_derived_builds_come_true_where_nothing_was_assumed(
    guests: list[PlayedGuest], capsys: Capture, tmp_path: Path
) -> None:
    """What is told of one live game is played on all three."""
    counts = Counter[str]()
    for number in range(20):
        words = wished(guests, f"derived {number}", 6)
        bridge = str(guests[0].live_bridge(tmp_path).path)
        capsys.readouterr()
        code = main(["plan", bridge, *words, "--builds", "all", "--json"])
        done = capsys.readouterr()
        if code == 2:
            assert "give a dump of export with --dump" in done.err
            counts["asked for a dump"] += 1
            continue
        found = json.loads(done.out)
        if "is taken for whole blocks" in done.err:
            counts["assumed"] += 1
            continue
        play(guests, found)
        counts["came true"] += found["found"]
    print(dict(counts))
    assert counts["came true"] > 5
