"""Recordings played at every pace: all frames at once, stepped, from a frame to a frame, again."""

from __future__ import annotations

import asyncio
from pathlib import Path

import pytest
from pydantic import ValidationError

from adapters.recordings.recorder import Recorder
from adapters.sources.recording.player import RecordingPlayer
from bridge.memory.address_map import Span
from bridge.ports.controls import Controls
from bridge.ports.source import Consistency
from schemas.errors import SourceEnded, SourceUnusable
from schemas.source_settings import RecordingSource
from tests.adapters.test_recording import ABOUT, BASE, MEMORY, SIZE, STARTED, moments, write

BEGINS = "functions over frames, steps and attempts know nothing of those before it"


def settings(**wanted: object) -> RecordingSource:
    return RecordingSource.model_validate({"kind": "recording", "path": "a.mcap", **wanted})


def played(folder: Path, *controls: Controls, **wanted: object) -> RecordingPlayer:
    return RecordingPlayer(settings(**wanted), folder, *controls)


async def numbers(source: RecordingPlayer, most: int = 10_000) -> list[int]:
    found: list[int] = []
    try:
        while len(found) < most:
            number = await source.wait()
            assert number is not None
            found.append(number)
    except SourceEnded:
        pass
    return found


@pytest.mark.parametrize("pace", ["all", "stepped"])
async def test_every_frame_comes_once_and_with_its_own_time(tmp_path: Path, pace: str) -> None:
    made = moments(200, rate=0.5)  # 400 s, of which nobody waits for one
    write(tmp_path / "a.mcap", made)
    source = played(tmp_path, pace=pace)
    assert source.patient
    await source.open(MEMORY)
    began = asyncio.get_running_loop().time()
    for moment in made:
        assert await source.wait() == moment.number
        assert await source.fetch([Span(BASE, SIZE)]) == [moment.image]
        assert source.written_at == pytest.approx(moment.time, abs=1e-6)
        assert source.moment == source.written_at
    with pytest.raises(SourceEnded):
        await source.wait()
    assert asyncio.get_running_loop().time() - began < 100
    await source.close()


@pytest.mark.parametrize(("first", "last"), [(100, 100), (137, 290), (160, 219), (220, 299)])
@pytest.mark.parametrize("pace", ["all", "real"])
async def test_from_a_frame_to_a_frame(tmp_path: Path, pace: str, first: int, last: int) -> None:
    """Groups begin with 100, 160, 220 and 280."""
    made = moments(200)
    write(tmp_path / "a.mcap", made)
    quick = {"speed": 100.0, "repeat": False} if pace == "real" else {}
    source = played(tmp_path, pace=pace, from_frame=first, to_frame=last, **quick)
    await source.open(MEMORY)
    assert source.notes == ([f"begins at frame {first}: {BEGINS}"] if first > 100 else [])
    # what was written in earlier groups and frames lies below
    assert await source.fetch([Span(BASE, SIZE)]) == [made[first - 100].image]
    found = []
    while number := (await numbers(source, 1) or [0])[0]:
        found.append(number)
        assert await source.fetch([Span(BASE, SIZE)]) == [made[number - 100].image]
    # what is late in real time is passed over
    assert found == sorted(set(found))
    assert found[0] == first
    assert found[-1] == last
    assert pace == "real" or found == list(range(first, last + 1))
    await source.close()


async def test_again_from_the_first_of_them(tmp_path: Path) -> None:
    made = moments(200)
    write(tmp_path / "a.mcap", made)
    source = played(tmp_path, pace="all", from_frame=150, to_frame=170, repeat=True)
    await source.open(MEMORY)
    lap = [*range(150, 171)]
    times = []
    for turn in range(3):
        for number in lap:
            assert await source.wait() == number
            assert source.passes == turn
            assert await source.fetch([Span(BASE, SIZE)]) == [made[number - 100].image]
            times.append(source.moment or 0.0)
            assert source.written_at == pytest.approx(made[number - 100].time, abs=1e-6)
    # its moments go forward, the frames' times begin again
    assert times == sorted(set(times))
    assert times[-1] - times[0] == pytest.approx(3 * 20 / 60 + 2 / 60, abs=1e-5)
    await source.close()


async def test_real_time_begins_again_from_the_first_of_them(tmp_path: Path) -> None:
    write(tmp_path / "a.mcap", moments(200))
    source = played(tmp_path, speed=50.0, from_frame=150, to_frame=170)
    assert not source.patient
    await source.open(MEMORY)
    while source.passes < 2:
        number = await source.wait()
        assert number is not None
        assert 150 <= number <= 170
    await source.close()


async def test_a_frame_comes_when_it_is_asked_for(tmp_path: Path) -> None:
    write(tmp_path / "a.mcap", moments(20))
    controls = Controls()
    source = played(tmp_path, controls, pace="stepped", repeat=True)
    steps = controls.steps
    assert steps is not None
    await source.open(MEMORY)
    frame = asyncio.ensure_future(source.wait())
    for _ in range(20):
        await asyncio.sleep(0)
    assert not frame.done()
    steps.ask()
    assert await frame == 100
    steps.ask(22)
    assert await numbers(source, 22) == [*range(101, 120), 100, 101, 102]
    assert source.passes == 1
    steps.ask(2)
    steps.end()
    assert await numbers(source) == [103, 104]
    await source.close()


@pytest.mark.parametrize("wanted", [{}, {"pace": "all"}])
async def test_only_stepped_ones_wait_to_be_asked(
    tmp_path: Path, wanted: dict[str, object]
) -> None:
    write(tmp_path / "a.mcap", moments(2))
    controls = Controls()
    source = played(tmp_path, controls, **wanted)
    assert controls.steps is None
    await source.open(MEMORY)
    assert await source.wait() == 100
    await source.close()


async def test_a_frame_that_is_not_there(tmp_path: Path) -> None:
    with Recorder(tmp_path / "a.mcap", ABOUT) as recorder:
        whole = [(Span(BASE, SIZE), bytes(SIZE))]
        # 200 to 209, 300 to 309, and after a reset 250 to 259
        for at, number in enumerate((*range(200, 210), *range(300, 310), *range(250, 260))):
            recorder.frame(number, STARTED + at, Consistency.GUARDED, [] if at else whole)
    for wanted, words in (
        ({"from_frame": 3}, "has no frame 3: it holds frames 200 to 309"),
        (
            {"from_frame": 220},
            "has no frame 220: it holds frames 200 to 309, of which 209 is followed by 250",
        ),
        (
            {"from_frame": 250, "to_frame": 301},
            "has no frame 301 at or behind frame 250: it holds frames 250 to 259 from there on",
        ),
    ):
        with pytest.raises(SourceUnusable) as caught:
            await played(tmp_path, pace="all", **wanted).open(MEMORY)
        assert caught.value.detail == words
    source = played(tmp_path, pace="all", from_frame=305, to_frame=305)
    await source.open(MEMORY)
    assert await numbers(source) == [305]
    # the one before the reset is not looked for behind it
    source = played(tmp_path, pace="all", from_frame=205)
    await source.open(MEMORY)
    assert await numbers(source) == [*range(205, 210), *range(300, 310), *range(250, 260)]


@pytest.mark.parametrize(
    ("wanted", "words"),
    [
        ({"pace": "all", "speed": 2.0}, 'speed goes by the clock, and pace = "all" has none'),
        ({"pace": "stepped", "speed": 1.0}, 'and pace = "stepped" has none'),
        ({"from_frame": 9, "to_frame": 8}, "to_frame 8 is before from_frame 9"),
    ],
)
def test_what_contradicts_itself(wanted: dict[str, object], words: str) -> None:
    with pytest.raises(ValidationError) as caught:
        settings(**wanted)
    assert words in str(caught.value)


def test_only_real_time_begins_again_by_itself() -> None:
    paces = ("real", "all", "stepped")
    assert [settings(pace=pace).repeats for pace in paces] == [True, False, False]
    assert [settings(pace=pace, repeat=True).repeats for pace in paces] == [True] * 3
    assert [settings(pace=pace, repeat=False).repeats for pace in paces] == [False] * 3
