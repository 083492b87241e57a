"""The sample dumps and the demo recording are what they say, and are those of the running game."""

from __future__ import annotations

import asyncio
import gzip
import re
import struct
from collections.abc import Iterator
from pathlib import Path

import pytest

from adapters.commands.console.one_frame import take_frame
from adapters.recordings.reader import open_recording
from adapters.sources.catalogue import make_source
from adapters.sources.recording.player import RecordingPlayer
from adapters.system_clock import SystemClock
from bridge.memory.address_map import Span
from bridge.memory.byte_order import ByteOrder, reorder
from bridge.practice.attempts import Attempt, Outcome
from bridge.practice.windows import Window
from bridge.prepared import memory_map, prepare
from bridge.readings.frame import Frame
from bridge.sampling.continuity import Continuity
from bridge.sampling.practice_tracker import PracticeTracker, Rules
from bridge.sampling.sampler import Sampler
from bridge.sampling.setup import SamplingSetup
from bridge.values.status import Status
from schemas.loader import Bridge, load_bridge
from schemas.source_settings import FileSource, RecordingSource
from tests.guest.machine import RAM_SIZE, RAM_START, GuestMachine
from tests.guest.make_samples import (
    DEMO_FRAMES,
    SAMPLES,
    SAMPLES_OF_MOMENTS,
    Sample,
    compressed,
    held,
)

BY_NAME = {sample.name: sample for sample in SAMPLES_OF_MOMENTS}
PULSE_AT = 0x8018_0100 - RAM_START
FRAME_BEGAN_AT = 0x8018_0000 - RAM_START
DEMO = SAMPLES / "demo.mcap"


def bridge_of(sample: Sample) -> Bridge:
    return load_bridge(SAMPLES / f"{sample.name}.bridge.toml")


def frame_of(sample: Sample, dump: Path | None = None) -> Frame:
    """The readings of a sample, or of another dump through the same bridge file."""
    bridge = bridge_of(sample)
    if dump is not None:
        source = FileSource(kind="file", path=str(dump.absolute()))
        file = bridge.file.model_copy(update={"source": source})
        bridge = Bridge(file, bridge.text, bridge.schema)
    return take_frame(bridge, prepare(bridge), 10.0)


def ram_of(sample: Sample) -> bytes:
    return reorder(gzip.decompress(sample.path.read_bytes()), sample.order)


# what is there


def test_all_together_are_small() -> None:
    assert sum(path.stat().st_size for path in SAMPLES.iterdir() if path.is_file()) < 2_000_000


def test_every_dump_has_a_bridge_file_and_a_line_in_the_readme() -> None:
    dumps = {path.name.removesuffix(".bin.gz") for path in SAMPLES.glob("*.bin.gz")}
    bridges = {path.name.removesuffix(".bridge.toml") for path in SAMPLES.glob("*.bridge.toml")}
    readme = (SAMPLES / "README.md").read_text(encoding="utf-8")
    lines = set(re.findall(r"^\| `([^`]+)\.(?:bin\.gz|mcap)` \|", readme, re.MULTILINE))
    assert dumps == set(BY_NAME)
    assert bridges == lines == {*BY_NAME, "demo"}


@pytest.mark.parametrize("path", sorted(SAMPLES.glob("*.bridge.toml")), ids=lambda path: path.name)
def test_every_bridge_file_is_right_on_every_build(path: Path) -> None:
    bridge = load_bridge(path)
    assert set(prepare(bridge)) == {"first-print", "second-print", "export"}
    assert all(watch.label for watch in bridge.file.watches)
    source = bridge.file.source
    assert isinstance(source, FileSource | RecordingSource)
    assert (path.parent / source.path).is_file()


def test_no_dump_tells_of_the_machine_that_made_it() -> None:
    # the emulated board's firmware writes the host's path of the program into the guest's memory
    for sample in SAMPLES_OF_MOMENTS:
        ram = ram_of(sample)
        assert len(ram) == RAM_SIZE
        assert b".elf" not in ram
        # RFC 1952: four bytes of time, 0 where none is given
        assert sample.path.read_bytes()[4:8] == bytes(4)


# what they show


@pytest.mark.parametrize("sample", SAMPLES_OF_MOMENTS, ids=lambda sample: sample.name)
def test_every_watch_of_a_dump_has_a_value(sample: Sample) -> None:
    frame = frame_of(sample)
    assert frame.build == sample.build
    # what is in hand was released, and is told as such, beside its value
    follows = "courier.held." in " ".join(r.watch.expression for r in frame.readings)
    assert follows or sample.moment != "stale-hold"
    for reading in frame.readings:
        freed = sample.moment == "stale-hold" and "courier.held." in reading.watch.expression
        assert reading.status is (Status.FREED if freed else Status.OK)
        assert reading.value is not None
    values = {reading.watch.name: reading.value for reading in frame.readings}
    assert values["frame"] == sample.script_frame


def texts(name: str) -> dict[str, str]:
    return {reading.watch.name: reading.text for reading in frame_of(BY_NAME[name]).readings}


@pytest.mark.parametrize("build", ["first-print", "second-print", "export"])
def test_the_stale_hold_in_three_moments(build: str) -> None:
    carry, stale, reuse = (texts(f"{build}-{m}") for m in ("carry", "stale-hold", "stale-reuse"))
    assert (carry["held_kind"], carry["held_is_there"]) == ("lantern", "true")
    assert (stale["held_name"], stale["held_is_there"]) == ("lantern", "false")
    assert (stale["block_used"], reuse["block_used"]) == ("false", "true")
    assert (reuse["held_name"], reuse["stale_is_held"]) == ("lost gull", "true")


def test_the_low_half_is_that_of_the_stored_float() -> None:
    frame = frame_of(BY_NAME["first-print-carry"])
    readings = {reading.watch.name: reading for reading in frame.readings}
    # IEEE 754 binary32 by struct; the two low bytes of a big-endian word are its last two
    (low,) = struct.unpack_from(">H", struct.pack(">f", readings["held_x"].value), 2)
    assert readings["held_x_low"].value == low
    address = readings["held_x"].address
    assert address is not None
    assert readings["held_x_low"].address == address + 2


def test_a_swapped_dump_gives_the_same_values() -> None:
    plain, swapped = texts("first-print-carry"), texts("first-print-carry-swap32")
    assert BY_NAME["first-print-carry-swap32"].order is ByteOrder.SWAP32
    assert swapped == plain


# the same as the running game


@pytest.fixture(scope="module", params=["first-print", "second-print", "export"])
def machine(
    request: pytest.FixtureRequest,
    elves: dict[str, Path],
    tmp_path_factory: pytest.TempPathFactory,
) -> Iterator[GuestMachine]:
    with GuestMachine(elves[request.param], tmp_path_factory.mktemp("guest")) as running:
        yield running


@pytest.mark.needs("gcc-mips-linux-gnu", "mips-linux-gnu-gcc", "mips-linux-gnu-nm")
@pytest.mark.needs("qemu-system-mips", "qemu-system-mips")
def test_the_running_game_gives_the_values_of_the_dumps(
    machine: GuestMachine, tmp_path: Path
) -> None:
    compared = 0
    courier = machine.symbols["courier"] - RAM_START
    for sample in SAMPLES_OF_MOMENTS:
        if sample.build != machine.elf.stem:
            continue
        ram = held(machine, sample, tmp_path)
        fresh = tmp_path / sample.path.name
        fresh.write_bytes(compressed(sample, ram))
        now = [reading.as_json() for reading in frame_of(sample, fresh).readings]
        then = [reading.as_json() for reading in frame_of(sample).readings]
        assert now == then
        # and without lowhalf: velocity, position and home, nine floats from offset 0x20 on
        committed = ram_of(sample)
        floats = slice(courier + 0x20, courier + 0x44)
        assert ram[floats] == committed[floats]
        assert any(committed[floats])
        compared += 1
    assert compared >= 4


# the demo


def test_the_demo_is_a_lap_of_whole_frames() -> None:
    recording = open_recording(DEMO)
    assert recording.complete
    assert recording.about.build == "first-print"
    assert "Tidewright" in recording.about.schema
    memory = recording.memory_before(0)
    numbers, times = [], []
    for group in range(len(recording.groups)):
        for frame in recording.frames(group):
            memory.apply(frame)
            ram = memory.read(Span(RAM_START, RAM_SIZE))
            assert isinstance(ram, bytes)
            # the game's own proof: each of six parts of a frame writes the frame's number
            pulses = [
                struct.unpack_from(">I", ram, PULSE_AT + 0x100 * part)[0] for part in range(6)
            ]
            began = struct.unpack_from(">I", ram, FRAME_BEGAN_AT)[0]
            assert {*pulses, began} == {frame.number}
            assert frame.consistency == "guarded"
            numbers.append(frame.number)
            times.append(frame.time)
            assert b".elf" not in ram[0x2000:0x3000]
    assert numbers == list(range(numbers[0], numbers[0] + DEMO_FRAMES))
    seconds = (times[-1] - times[0]) / 1e9
    assert seconds == pytest.approx((DEMO_FRAMES - 1) / 60, rel=0.02)


class Unhurried(SystemClock):
    """Frames are evaluated whatever it takes: a busy machine is no matter of the samples."""

    def processor_time(self) -> float:
        return 0.0


async def test_the_demo_plays_through_its_bridge_file() -> None:
    bridge = load_bridge(SAMPLES / "demo.bridge.toml")
    assert 10 <= len(bridge.file.watches) <= 15
    assert bridge.file.outputs.overlay is not None
    settings = bridge.file.source
    assert isinstance(settings, RecordingSource)
    # every frame, however busy the host is: nothing is ever late
    fast = settings.model_copy(update={"pace": "all", "repeat": True})
    source = make_source(fast, SAMPLES, {})
    assert isinstance(source, RecordingPlayer)
    practising = PracticeTracker(Rules.of(bridge.file))
    setup = SamplingSetup(prepare(bridge), memory_map(bridge.schema), Unhurried())
    sampler = await Sampler.open(source, setup, Continuity(setup.clock, practising=practising))
    rooms, kinds, hit = set(), set(), set()
    ended: dict[int, Attempt] = {}
    faults: dict[str, set[Status]] = {}
    async with asyncio.timeout(60):
        while not sampler.stats.resets:
            frame = await sampler.next()
            assert frame.consistency == "guarded"
            for reading in frame.readings:
                faults.setdefault(reading.watch.name, set()).add(reading.status)
            texts = {reading.watch.name: reading.text for reading in frame.readings}
            rooms.add(texts["room"])
            kinds.add(texts["held_kind"])
            hit |= {reading.watch.name for reading in frame.readings if reading.target == "hit"}
            if frame.practice is not None and (last := frame.practice.last) is not None:
                ended[last.number] = last
            assert frame.heap is not None
    await source.close()
    assert (sampler.stats.frames, sampler.stats.skipped) == (DEMO_FRAMES + 1, 0)
    assert rooms == {"Lantern Room", "Gallery", "Harbour", "Mist Stair"}
    assert kinds == {"", "lantern", "gull"}
    assert {watch: found for watch, found in faults.items() if Status.ERROR in found} == {}
    assert {watch for watch, found in faults.items() if Status.NULL in found} == {
        "lantern_away",
        "held_kind",
        "held_x_low",
        "held_block",
    }
    assert all(Status.UNMAPPED not in found for found in faults.values())
    # in each lap every target is hit, one attempt fails and one succeeds
    assert hit == {watch.name for watch in bridge.file.watches if watch.target}
    assert hit == {"facing", "lantern_away", "held_kind", "held_x_low", "set_up"}
    failed, good = ended.values()
    assert (failed.outcome, failed.step) == (Outcome.FAILED, "carry it through the door")
    # the scripts' own frames (tests/guest/README.md): lantern 60, put down 240; door 120, gull 180
    assert [step.frames for step in failed.steps] == [44, 15, 180]
    assert good.outcome is Outcome.SUCCESS
    assert [step.frames for step in good.steps] == [44, 15, 60, 60]
    # the window counts from where the step before is done, and both laps are right
    for attempt in (failed, good):
        assert attempt.timed is not None
        assert attempt.timed.timing == Window(12, 18).judge(15)
    assert all(len(prepared.tallies) == 1 for prepared in sampler.prepared_builds.values())
