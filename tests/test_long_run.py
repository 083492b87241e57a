"""A day in virtual time, in short form: nothing that comes and goes leaves anything behind.

The clock goes through 24 hours.  One minute in 24 is lived, in the full size one in eight, with 12
frames instead of 3,600; all else that belongs to such a minute happens in it.  ``python -m
tests.benchmarks.long_run --day`` is the whole of it.  The daemon has a process of its own, so that
nothing else is measured.
"""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from tests.adapters.mosquitto import needs_mosquitto

FRAMES = 12

MAX_GROWTH = 8.0
"""MiB of resident memory from the middle to the end.  Measured: -1 to 3; the allocator's holes."""
MAX_BLOCKS = 6_000
"""Python's blocks likewise, of 200,000: caches with a bound of their own still fill."""
MAX_OF_A_TYPE = 15
"""Objects of one of our own types likewise, of which each minute would leave 30 to 90 behind."""
OURS = ("adapters.", "bridge.", "schemas.")

pytestmark = [
    needs_mosquitto,
    pytest.mark.skipif(sys.platform != "linux", reason="counts descriptors on Linux only"),
]


@pytest.fixture(
    scope="module",
    params=[24, pytest.param(8, marks=pytest.mark.full)],
    ids=["one in 24", "one in 8"],
)
def day(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    """A day of whose minutes one in so many is lived; ``minutes`` says how many that are."""
    told = tmp_path_factory.mktemp("day") / "told.json"
    command = [sys.executable, "-m", "tests.benchmarks.long_run", "--day", "--looks", "4"]
    command += ["--every", str(request.param), "--frames", str(FRAMES), "--json", str(told)]
    done = subprocess.run(
        command,
        cwd=Path(__file__).parents[1],
        capture_output=True,
        text=True,
        timeout=600,
        stdin=subprocess.DEVNULL,
    )
    print(done.stdout)
    assert done.returncode == 0, done.stderr
    assert "never retrieved" not in done.stderr, done.stderr
    assert "Traceback" not in done.stderr, done.stderr
    return {**json.loads(told.read_text("utf-8")), "minutes": 24 * 60 // request.param}


def test_everything_has_come_and_gone(day: dict[str, Any]) -> None:
    happened, minutes = day["happened"], day["minutes"]
    assert happened["attempts"] >= 2 * minutes
    assert happened["questions"] == 2 * minutes
    assert happened["pages"] == 3 * minutes
    assert happened["pages that went"] == minutes // 3
    assert happened["pages that stalled"] == minutes // 4
    assert happened["sources lost"] == minutes // 2
    assert happened["resets"] == happened["other builds"] == minutes // 10
    assert happened["brokers lost"] == minutes // 30
    assert happened["frames"] >= FRAMES * minutes
    assert happened["terminal KiB"] > 0


def test_memory_is_flat(day: dict[str, Any]) -> None:
    rows, most = day["rows"], list(day["grown"].items())[:20]
    middle, last = rows[len(rows) // 2], rows[-1]
    assert (middle["at"], last["at"]) == ("50.0 %", "100.0 %")
    assert last["resident"] - middle["resident"] < MAX_GROWTH, most
    assert last["blocks"] - middle["blocks"] < MAX_BLOCKS, most


def test_no_type_of_ours_piles_up(day: dict[str, Any]) -> None:
    grown = {
        what: count
        for what, count in day["grown"].items()
        if what.removeprefix("objects of ").startswith(OURS) and count > MAX_OF_A_TYPE
    }
    assert grown == {}


def test_descriptors_threads_and_tasks_are_flat(day: dict[str, Any]) -> None:
    rows = day["rows"]
    middle, last = rows[len(rows) // 2], rows[-1]
    for what in ("descriptors", "threads", "tasks"):
        assert last[what] <= middle[what] + 1, (what, rows)


def test_a_loss_is_a_line_and_a_return_is_one(day: dict[str, Any]) -> None:
    """What is lost and comes back is no error, and nothing else is said in a whole day."""
    assert day["said"] == []
    log, happened = day["log"], day["happened"]
    assert log.pop("fake: was lost for the Nth time") == happened["sources lost"]
    assert log.pop("fake: is back") == happened["sources lost"]
    assert log.pop("fake: build print") + log.pop("fake: build export") <= 1 + day["minutes"] // 10
    assert log.pop("pages at http://N.N.N.N:N/") == 1
    # where the clock is put ahead it may seem that the broker did not answer for long
    came = log.pop("mqtt: connected to N.N.N.N:N as homie/N/lowhalf-day")
    went = sum(log.pop(words) for words in list(log) if words.startswith("mqtt: lost the broker"))
    assert came == went + 1
    assert went >= happened["brokers lost"]
    # a busy machine holds the game up, and then it seems to have gone on too fast
    assert all("; the frames missed are not counted" in words for words in log), log
