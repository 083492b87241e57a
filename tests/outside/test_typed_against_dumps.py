"""The values that a person types are those that are read from the dump, for every sample.

Source: ``answer_by_hand.py``, a program of its own that knows nothing of lowhalf and takes the
bytes from the dump by the addresses alone that it is asked for.  Statuses are not compared: what
is read from a dump is held against the heap, of which nobody types all.
"""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from adapters.commands.main import main

SAMPLES = Path(__file__).parents[2] / "sample_dumps"
SOME = ("first-print-carry",)
ALL = sorted(
    path.name.removesuffix(".bin.gz")
    for path in SAMPLES.glob("*.bin.gz")
    if "swap32" not in path.name
)
"""One dump holds its bytes in another order, which nobody sees on a console's own screen."""
BY_HAND = Path(__file__).parent / "answer_by_hand.py"


def by_hand(sample: str, seed: int, *options: str) -> dict[str, Any]:
    """The last line of ``lowhalf by-hand --json``, all questions of which were answered."""
    command = [sys.executable, "-m", "adapters.commands", "by-hand", "--json", *options]
    bridge, dump = SAMPLES / f"{sample}.bridge.toml", SAMPLES / f"{sample}.bin.gz"
    done = subprocess.run(
        [sys.executable, str(BY_HAND), str(dump), "0x80000000", str(seed), *command, str(bridge)],
        capture_output=True,
        text=True,
        encoding="utf-8",
        timeout=120,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    found: dict[str, Any] = json.loads(done.stdout)
    return found


def read(sample: str, capsys: pytest.CaptureFixture[str]) -> dict[str, dict[str, Any]]:
    assert main(["read", "--json", str(SAMPLES / f"{sample}.bridge.toml")]) in (0, 1)
    readings = json.loads(capsys.readouterr().out)["readings"]
    return {reading["watch"]: reading for reading in readings}


@pytest.mark.parametrize(
    "sample", [pytest.param(name, marks=() if name in SOME else pytest.mark.full) for name in ALL]
)
def test_typed_is_what_is_read(sample: str, capsys: pytest.CaptureFixture[str]) -> None:
    wanted = read(sample, capsys)
    told = by_hand(sample, seed=len(sample))
    assert told["build"] == next(
        name for name in ("first-print", "second-print", "export") if sample.startswith(name)
    )
    found = {each["watch"]: each for each in told["reached"]}
    assert list(found) == list(wanted)
    for watch, reading in wanted.items():
        typed = found[watch]
        if typed["standing"] == "not-by-hand":
            assert any(word in typed["reason"] for word in ("every frame", "too long"))
            continue
        told_values = typed["value"], typed["text"], typed["address"]
        assert told_values == (reading["value"], reading["text"], reading["address"]), watch


@pytest.mark.full
@pytest.mark.parametrize("sample", SOME)
def test_addresses_alone_ask_only_for_pointers(
    sample: str, capsys: pytest.CaptureFixture[str]
) -> None:
    wanted = read(sample, capsys)
    told = by_hand(sample, 1, "--addresses")
    assert [answered["words"] for answered in told["answered"]] == [
        "what tells the build: 8 bytes",
        "current_room: a pointer to Room",
        "courier.held: a pointer to Actor",
    ]
    whole = {each["watch"]: each["address"] for each in told["reached"] if not each["part"]}
    known = {w: r["address"] for w, r in wanted.items() if r["address"] is not None}
    assert {watch: whole[watch] for watch in known} == known
