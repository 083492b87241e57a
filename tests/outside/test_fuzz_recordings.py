"""The fuzzing of recordings, for some files; ``fuzz_recordings.py`` goes on."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.outside.fuzz_recordings import CHANGES, LOOKS, Fuzz

FEW = ("reader", "player")
COMMANDS = [name for name in LOOKS if name not in FEW]


@pytest.mark.parametrize(
    ("change", "count"),
    [
        *((change, 25) for change in CHANGES),
        pytest.param("flipped", 2000, marks=pytest.mark.full),
        *(pytest.param(change, 500, marks=pytest.mark.full) for change in (*CHANGES,)[1:]),
    ],
)
def test_only_documented_errors_come_of_a_changed_recording(
    tmp_path: Path, change: str, count: int
) -> None:
    fuzz = Fuzz(tmp_path, 20261127)
    for number in range(count):
        few = [*FEW, COMMANDS[number % len(COMMANDS)]]
        fuzz.look(change, few if count < 100 else list(LOOKS))
    came = {came for look, came in fuzz.seen if look == "reader"}
    # so that what is held is worth something
    assert came >= {"refused", "read some" if change == "cut" else "read all"}


def test_a_recording_that_is_sound_passes_all_looks(tmp_path: Path) -> None:
    fuzz = Fuzz(tmp_path, 1)
    fuzz.path.write_bytes(fuzz.good)
    came = {name: look(fuzz.path) for name, look in LOOKS.items()}
    assert came == {
        "reader": "read all",
        "player": "played all",
        "query": "exit 0",
        "events": "exit 0",
        "compare": "exit 1",  # the two frames differ
        "verify": "exit 0",
        "read": "exit 0",
    }
