"""The short form of the torn-frames benchmark: no guarded sample is torn, and bare ones are."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.benchmarks import torn_frames
from tests.guest.machine import GuestMachine

pytestmark = [
    pytest.mark.needs("gcc-mips-linux-gnu", "mips-linux-gnu-gcc", "mips-linux-gnu-nm"),
    pytest.mark.needs("qemu-system-mips", "qemu-system-mips"),
]


@pytest.fixture(scope="module")
def machine(tmp_path_factory: pytest.TempPathFactory, elf: Path) -> Iterator[GuestMachine]:
    directory = tmp_path_factory.mktemp("torn")
    with GuestMachine(elf, directory) as running:
        yield running
        assert running.read_symbol_u32("fault") == 0


@pytest.mark.parametrize(
    ("load", "samples"),
    [
        ("normal", 300),
        ("slow", 150),
        pytest.param("normal", 2000, marks=pytest.mark.full),
        pytest.param("slow", 1000, marks=pytest.mark.full),
    ],
)
def test_the_guard_lets_no_torn_sample_through(
    machine: GuestMachine, tmp_path: Path, load: str, samples: int
) -> None:
    guarded, bare = torn_frames.measure(machine, tmp_path, [load], samples, rate=1000, longest=30)
    assert guarded.accepted == samples, torn_frames.table([guarded])
    assert guarded.torn == 0
    assert guarded.refused > 0, "no sample fell into a frame's work: nothing was checked"
    assert guarded.distinct > 10
    assert bare.accepted == samples
    assert bare.torn > 0, "the check cannot fail"


def test_the_guard_is_given_up_for_a_while_where_it_never_passes(
    machine: GuestMachine, tmp_path: Path
) -> None:
    """A busy game leaves no time between two frames: that is said, and no sample given out."""
    (guarded,) = torn_frames.measure(machine, tmp_path, ["busy"], 10, longest=0.7, guards=[True])
    assert guarded.torn == 0
    assert guarded.unwhole >= 1
    assert guarded.refused > 0


def test_the_table_says_what_was_measured(machine: GuestMachine, tmp_path: Path) -> None:
    rows = torn_frames.measure(machine, tmp_path, ["normal"], 20, longest=10)
    head, *lines = torn_frames.table(rows).splitlines()
    assert head.split()[:4] == ["load", "guard", "accepted", "torn"]
    assert [line.split()[:3] for line in lines] == [
        ["normal", "both", "20"],
        ["normal", "none", "20"],
    ]
