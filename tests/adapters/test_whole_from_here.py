"""All memory of sources that stand in lowhalf's own process is recorded, as they hold it."""

from __future__ import annotations

import asyncio
import logging
import random
import signal
import time
from collections.abc import Sequence
from pathlib import Path

import pytest

from adapters.outputs.recording.output import RecordingOutput
from adapters.outputs.recording.told_changes import ToldChanges
from adapters.outputs.recording.touched import TouchedLines
from adapters.recordings.reader import open_recording
from adapters.recordings.recorder import Recorder
from adapters.sessions.bridge_file import load_bridge
from adapters.sources.debugger.stub import DebuggerStub
from adapters.sources.dumps.file import FileDump
from adapters.sources.fake import ScriptedSource
from adapters.sources.pushed.pushed_image import PushedImage
from adapters.sources.recording.player import RecordingPlayer
from bridge.memory.address_map import MemoryMap, Span
from bridge.memory.byte_order import ByteOrder, reorder
from bridge.memory.fetched import Part, Partial
from bridge.ports.changes import Changes, Rest
from bridge.ports.memory_observer import FrameCounters
from bridge.ports.source import Cadence, Consistency, Source
from schemas.output_settings import RecordingOutput as RecordingSettings
from schemas.source_settings import FileSource
from tests.adapters.desk_daemon import LOG
from tests.adapters.test_last_minute import KEEP, files_in, stepped
from tests.adapters.test_recording import ABOUT, BASE, MEMORY, PAD, RAM, SIZE, moments, write
from tests.adapters.test_replay_paces import played
from tests.commands import files
from tests.commands.command import Running, lowhalf
from tests.commands.test_paces import FIRST, SAMPLES, bridge
from tests.commands.test_push import BRIDGE, Producer

Image = list[tuple[int, bool, list[Part]]]


def images_of(paths: Sequence[Path], first: int = 0, last: int = 1 << 32) -> Image:
    """Number, whether it is in part, and all memory of every frame from *first* to *last*."""
    regions = open_recording(SAMPLES / "demo.mcap").about.regions
    spans = [Span(region.start, region.size) for region in regions]
    found: Image = []
    for path in paths:
        recording = open_recording(path)
        memory = recording.memory_before(0)
        for group in range(len(recording.groups)):
            for frame in recording.frames(group):
                memory.apply(frame)
                if first <= frame.number <= last:
                    held = [memory.read(span) for span in spans]
                    found.append((frame.number, frame.in_part, held))
    return found


DEMO = SAMPLES / "demo.mcap"


def same(found: Image, wanted: Image) -> None:
    """Frame by frame: what pytest would print of all is too much."""
    assert [number for number, *_ in found] == [number for number, *_ in wanted]
    for ours, theirs in zip(found, wanted, strict=True):
        assert ours == theirs


def test_a_recording_is_recorded_as_it_is(tmp_path: Path) -> None:
    """Played at once into another one: each frame has the same memory, all of it."""
    path = bridge(tmp_path, 'pace = "all"', "from_frame = 430", "to_frame = 500")
    again = tmp_path / "again.mcap"
    done = lowhalf("record", str(path), str(again))
    assert done.returncode == 0, done.stderr
    assert "gives" not in done.stderr
    same(images_of([again]), images_of([DEMO], 430, 500))
    first = open_recording(DEMO).frames(0)[430 - FIRST].time
    assert abs(open_recording(again).groups[0].first_time - first) < 1000


async def test_what_is_kept_of_it_is_whole(tmp_path: Path) -> None:
    async with stepped(tmp_path, KEEP, "from_frame = 1500", "to_frame = 1560") as game:
        await game.step(100)
        await game.controls.keep_last_minute()
        assert game.state.startswith("100 frames whole, 0 in part; kept")
    whole = images_of([DEMO], 1500, 1560)
    for each in files_in(tmp_path):
        same(images_of(each), [*whole, *whole[:39]])


async def follow(source: RecordingPlayer, frames: int) -> list[tuple[int | None, bytes]]:
    """What the changes make of memory, frame by frame, in a model that knows nothing else."""
    image, found = bytearray(SIZE), []
    for _ in range(frames):
        number = await source.wait()
        for span, part in source.changes().parts:
            assert isinstance(part, bytes)
            image[span.address - BASE : span.end - BASE] = part
        found.append((number, bytes(image)))
    return found


async def test_the_player_tells_what_has_changed(tmp_path: Path) -> None:
    made = moments(200)
    write(tmp_path / "a.mcap", made)
    source = played(tmp_path, pace="all", repeat=True, to_frame=250)
    await source.open(MEMORY)
    lap = [(moment.number, moment.image) for moment in made[:151]]
    assert await follow(source, 400) == [*lap, *lap, *lap][:400]
    (everything,) = source.changes(everything=True).parts
    assert everything[0] == Span(BASE, SIZE)
    # a few lines are told of, not all
    await source.wait()
    assert sum(span.length for span, _ in source.changes().parts) < SIZE // 4
    assert source.changes().parts == []
    await source.close()


async def test_late_frames_are_all_told_of(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Whole groups are passed over: what they changed is in what is told."""
    made = moments(600)
    write(tmp_path / "a.mcap", made)
    source = played(tmp_path, repeat=False)
    await source.open(MEMORY)
    clock = asyncio.get_running_loop().time
    now = [began := clock()]
    monkeypatch.setattr("adapters.sources.recording.player.seconds", lambda: now[0])
    image = bytearray(SIZE)
    for ahead in (0.0, 0.02, 0.5, 0.9, 4.2, 4.21, 7.9, 9.9):
        now[0] = began + ahead
        number = await source.wait()
        assert number is not None
        for span, part in source.changes().parts:
            assert isinstance(part, bytes)
            image[span.address - BASE : span.end - BASE] = part
        assert bytes(image) == made[number - 100].image
        last = number
    assert last > 690
    await source.close()


async def test_frames_in_part_stay_so(tmp_path: Path) -> None:
    with Recorder(tmp_path / "a.mcap", ABOUT) as recorder:
        recorder.frame(1, 1.0, Consistency.GUARDED, [(Span(BASE, SIZE), bytes(SIZE))])
        line = [(Span(BASE + 0x100, 0x100), b"a" * 0x100)]
        recorder.frame(2, 1.1, Consistency.GUARDED, line, in_part=True)
        recorder.frame(3, 1.2, Consistency.GUARDED, [], gone=[Span(BASE + 0x120, 0x10)])
    source = played(tmp_path, pace="all")
    await source.open(MEMORY)
    told = []
    for _ in range(3):
        await source.wait()
        told.append(source.changes())
    assert [each.rest for each in told] == [Rest.SAME, Rest.OLDER, Rest.SAME]
    assert told[1].parts == line
    ((span, part),) = told[2].parts
    assert span == Span(BASE + 0x100, 0x100)
    assert isinstance(part, Partial)
    assert part.held == b"\1" * 0x20 + bytes(0x10) + b"\1" * 0xD0


# What is sent


def test_a_frame_that_is_sent_is_what_came_with_it() -> None:
    image = PushedImage(MemoryMap([RAM, PAD]), BASE, SIZE)
    image.apply([(BASE + 0x210, b"a" * 0x20), (BASE + 0x300, b"b" * 0x100)])
    image.apply([(BASE + 0x1000, b"c")])
    assert image.sent == []
    image.show()
    assert image.sent == [Span(BASE + 0x200, 0x200), Span(BASE + 0x1000, 0x100)]
    image.show()
    assert image.sent == []


@pytest.mark.parametrize("order", list(ByteOrder))
def test_parts_in_the_order_of_the_source(order: ByteOrder) -> None:
    data = random.Random(7).randbytes(0x300)
    held = bytes(0x10) + b"\1" * 0x2E8 + bytes(8)
    told = [
        (Span(BASE, 0x300), reorder(data, order)),
        (Span(BASE + 0x400, 0x100), None),
        (Span(BASE + 0x600, 0x300), Partial(reorder(data, order), reorder(held, order))),
    ]
    changes = ToldChanges(Changes(told, Rest.SAME), order, [Span(BASE + 0x100, 0x100)])
    there, gone = changes.parts()
    assert there == [
        (Span(BASE, 0x100), data[:0x100]),
        (Span(BASE + 0x200, 0x100), data[0x200:0x300]),
        (Span(BASE + 0x610, 0x2E8), data[0x10:0x2F8]),
    ]
    assert gone == [Span(BASE + 0x400, 0x100), Span(BASE + 0x600, 0x10), Span(BASE + 0x8F8, 8)]


def test_what_is_known_no_more_is_what_is_not_told_of_again() -> None:
    """Runs of other bounds than before, against sets of bytes."""
    chance = random.Random(3)
    touched, before = TouchedLines({}), set[int]()
    for _ in range(300):
        edges = sorted(chance.sample(range(40), 2 * chance.randrange(1, 6)))
        spans = [Span(a, b - a) for a, b in zip(edges[::2], edges[1::2], strict=True)]
        _, gone = touched.changes([(span, bytes(span.length)) for span in spans])
        now = {at for span in spans for at in range(span.address, span.end)}
        lost = [at for span in gone for at in range(span.address, span.end)]
        assert lost == sorted(before - now)
        before = now


# Dumps


async def test_a_dump_that_holds_a_part_tells_all_of_that(tmp_path: Path) -> None:
    """Intel HEX with a hole, of the standard's own form: type 4 is the upper address."""
    lines = [":020000048000" + "7A", ":0400100001020304E2", ":02002000AABB79", ":00000001FF"]
    (tmp_path / "a.hex").write_text("\n".join(lines) + "\n", "ascii")
    source = FileDump(FileSource(kind="file", path="a.hex", format="ihex"), tmp_path)
    await source.open(MEMORY)
    changes = source.changes()
    assert changes.rest is Rest.SAME
    there, gone = ToldChanges(changes, ByteOrder.BIG, []).parts()
    assert there == [(Span(BASE + 0x10, 4), b"\1\2\3\4"), (Span(BASE + 0x20, 2), b"\xaa\xbb")]
    assert gone == [Span(BASE, 0x10), Span(BASE + 0x14, 0xC)]
    await source.close()


@pytest.mark.posix("a signal ends the daemon")
def test_what_a_sender_sends_is_recorded_and_no_more(tmp_path: Path) -> None:
    """Beside what is wanted it sends four lines of its own liking, and later only two of them."""
    text = BRIDGE + "\n[outputs.recording]\npath = 'sent.mcap'\n"
    ram = bytes(files.ram())
    beside = [(files.BASE + 0x2400, 0x200), (files.BASE + 0x2800, 0x200)]
    with Running("run", str(files.write(tmp_path, bridge=text)), "--quiet") as daemon:
        port = int(daemon.wait_for("listening on 127.0.0.1 port").rsplit(" ", 1)[1])
        producer = Producer(port, ram)
        for number in range(1, 41):
            wanted = producer.wanted
            producer.wanted = (*wanted, *beside[: 2 if number <= 20 else 1])
            mine = producer.wanted
            producer.frame(number)
            if producer.wanted is mine:  # nothing else is wanted by now
                producer.wanted = wanted
            time.sleep(0.02)
        daemon.wait_for("recording: push test pier gives no more than what is sent")
        producer.close()
        assert daemon.stop(signal.SIGTERM) == 0
    recording = open_recording(tmp_path / "sent.mcap")
    memory = recording.memory_before(0)
    seen = []
    for group in range(len(recording.groups)):
        for frame in recording.frames(group):
            memory.apply(frame)
            first, second = (memory.read(Span(*span)) for span in beside)
            assert not frame.in_part
            assert first == ram[0x2400:0x2600]
            assert second == (ram[0x2800:0x2A00] if frame.number <= 20 else None)
            seen.append(frame.number)
    # the first may come before the build is known
    assert len(seen) > 20
    assert seen == sorted(seen)
    assert seen[-1] == 40


async def test_who_can_give_no_more_says_so(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    """As a debugger's stub, which reads what it is asked for and nothing beside."""
    caplog.set_level(logging.INFO)
    output = RecordingOutput(RecordingSettings(), load_bridge(bridge(tmp_path)), LOG)
    source = ScriptedSource(cadence=Cadence.SPARING)
    assert source.bulk_reader() is None
    assert DebuggerStub.changes is Source.changes
    assert DebuggerStub.bulk_reader is Source.bulk_reader
    output.source_opened(source, await source.open(MEMORY))
    for _ in range(3):
        output.sample_begins(FrameCounters("first-print", None, None), ByteOrder.BIG)
    running = asyncio.ensure_future(output.run())
    await asyncio.sleep(0)
    running.cancel()
    await asyncio.wait([running])
    words = "recording: fake gives no more than the lines that watches look at"
    assert caplog.messages.count(words) == 1
