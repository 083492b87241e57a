"""Recording costs little more than looking at memory at all: as ratios within one run."""

from __future__ import annotations

import sys

import pytest

from tests.benchmarks import recording, recording_live
from tests.benchmarks.test_evaluation import least


@pytest.mark.skipif(sys.platform == "win32", reason="reads the made RAM with preadv")
def test_a_look_costs_a_few_times_one_memcmp() -> None:
    """The aim is three times; a machine that is busy copies more slowly than it compares."""
    for _ in range(3):
        cost = recording.look_cost()
        if cost.copied < 6 * cost.memcmp and cost.mapped < 3 * cost.memcmp:
            return
    raise AssertionError(f"expected less than 6 and 3 times one memcmp, found {cost}")


@pytest.mark.skipif(sys.platform != "linux", reason="asks Linux for threads' processor time")
def test_recording_a_running_game_costs_a_few_times_one_memcmp_a_frame() -> None:
    """The aim is three times at most; with 50 watches, and all that Python does beside."""

    def ratio() -> float:
        with recording_live.running("actors", 16 << 20) as folder:
            memcmp = recording_live.memcmp_a_frame(16 << 20, 0.5)
            bare, recorded = (
                recording_live.measure(folder, "actors", 1.5, ram) for ram in recording_live.RAM
            )
        assert recorded.frames > 20
        assert recorded.whole + recorded.in_part > 20
        return (recorded.a_frame - bare.a_frame) / memcmp

    assert least(ratio, 6.0) <= 6.0


@pytest.mark.skipif(sys.platform != "linux", reason="asks Linux how long threads waited")
@pytest.mark.full
def test_the_loop_is_held_hardly_longer_while_a_game_is_recorded() -> None:
    """By the 99th percentile of what others' work does not explain."""

    def ratio() -> float:
        with recording_live.running("actors", 16 << 20) as folder:
            bare, recorded = (
                recording_live.measure(folder, "actors", 4.0, ram, beats=True)
                for ram in recording_live.RAM
            )
        return recorded.own[len(recorded.own) * 99 // 100] / bare.own[len(bare.own) * 99 // 100]

    assert least(ratio, 2.0) <= 2.0


def test_a_seek_costs_a_few_times_as_much_as_to_read_a_second() -> None:
    """An hour's seeks are as a minute's: what is read ends at the last image of what changed."""

    def ratio() -> float:
        seeking, reading = recording.seek_times(minutes=1, seeks=40)
        return seeking[36] / reading[20]

    assert least(ratio, 12.0) <= 12.0


@pytest.mark.parametrize("load", recording.LOADS)
def test_a_minute_is_hardly_larger_than_its_changed_lines(load: str) -> None:
    """The same bytes on every machine."""
    size = recording.minute(load, seconds=20)
    assert size.recorded < 1.5 * size.packed
