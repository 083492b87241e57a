"""The heap in frames of a source that is sampled: readings, torn samples, resets, senders."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from pathlib import Path

from adapters.sources.fake import ScriptedSource
from bridge.memory.address_map import MemoryMap, Span
from bridge.ports.source import Cadence, Consistency, Opened
from bridge.prepared import memory_map, prepare, with_heap
from bridge.readings.frame import Frame
from bridge.readings.reading import Reading
from bridge.sampling.sampler import Sampler
from bridge.sampling.setup import SamplingSetup
from bridge.values.status import Status
from schemas.loader import load_bridge
from tests.bridge.made_heap import ARENA, HeapGuest, Made, changed, gulls, schema_text
from tests.bridge.test_sampler import GUARD, Bench, take
from tests.virtual_clock import VirtualClock

BEGAN, ENDED = 0x8000_0010, 0x8000_0018
COUNTERS = ("[heap]\n", 'began = "u32"\nended = "u32"\n[heap]\n')
PLACES = """[builds.only]
recognise = [ { at = 0x8000_0200, text = "TIDE 1.0" } ]
at.began = 0x8000_0010
at.ended = 0x8000_0018
"""


async def sampled(
    directory: Path, source: ScriptedSource, watches: str, sampling: str = "", heap: bool = False
) -> Sampler:
    text = schema_text().replace(*COUNTERS).replace("[builds.only]\n", PLACES)
    (directory / "h.schema.toml").write_text(text, "utf-8")
    path = directory / "h.bridge.toml"
    head = f'schema = "h.schema.toml"\n[source]\nkind = "fake"\nbyte_order = "big"\n{sampling}'
    path.write_text(f"{head}\n{watches}", "utf-8")
    bridge = load_bridge(path)
    made = prepare(bridge)
    if heap:
        made = {name: with_heap(prepared) for name, prepared in made.items()}
    setup = SamplingSetup(made, memory_map(bridge.schema), VirtualClock(), rate=240)
    return await Sampler.open(source, setup)


def watch(name: str, expression: str, more: str = "") -> str:
    return f"[[watches]]\nname = \"{name}\"\nexpr = '''{expression}'''\n{more}\n"


def sent(source: ScriptedSource, guest: HeapGuest) -> None:
    """All of the guest's memory as it is now, but for the counters."""
    guest.poke(0x8000_0200, "8s", b"TIDE 1.0")
    source.poke(0x8000_0100, bytes(guest.bytes[0x100:0x1_8000]))


def count(source: ScriptedSource, number: int) -> None:
    for counter in (BEGAN, ENDED):
        source.poke(counter, number.to_bytes(4, "big"))


def found(frame: Frame, name: str) -> Reading:
    return next(reading for reading in frame.readings if reading.watch.name == name)


BLOCKS = [Made(0x40, kind=3), Made(0x40, kind=2), Made(0x40, kind=4)]
AIM = 'show = "hex"\ntarget = { equals = 0xBEEF }'


async def test_a_reading_has_value_text_address_target_and_warning(tmp_path: Path) -> None:
    source = ScriptedSource(cadence=Cadence.ANNOUNCED, consistency=Consistency.SENDER)
    guest = HeapGuest()
    guest.heap(changed(BLOCKS, 1, used=False))
    guest.aim(guest.start(1))
    guest.poke(guest.start(1) + 4, "I", 0xBEEF)
    sent(source, guest)
    calm = watch("calm", "held.word", 'heap = "ignore"')
    text = watch("word_there", "held.word", AIM) + calm + watch("other", "word_there")
    sampler = await sampled(tmp_path, source, text)
    source.next()
    frame = await take(sampler)
    reading = found(frame, "word_there")
    assert reading.as_json() == {
        "watch": "word_there",
        "status": "freed",
        "value": 0xBEEF,
        "text": "0x0000BEEF",
        "address": guest.start(1) + 4,
        "target": "hit",
        "reason": "held points into a free block (block 1)",
    }
    assert reading.distance == 0
    assert (found(frame, "calm").status, found(frame, "calm").value) == (Status.OK, 0xBEEF)
    assert found(frame, "other").status is Status.FREED
    assert frame.heap is not None
    assert [block.owner for block in frame.heap.blocks] == ["crate", "free", "gull"]
    gone = frame.offline("was lost", frame.ticks + 1).readings[0]
    assert (gone.status, gone.value, gone.reason) == (Status.OFFLINE, 0xBEEF, "was lost")
    kept = frame.stale("no whole frame", frame.ticks + 1).readings[0]
    assert (kept.status, kept.value) == (Status.FREED, 0xBEEF)


async def test_a_frame_of_watches_that_do_not_ask_has_no_heap(tmp_path: Path) -> None:
    source = ScriptedSource(cadence=Cadence.ANNOUNCED, consistency=Consistency.SENDER)
    guest = HeapGuest()
    guest.heap(gulls(3))
    sent(source, guest)
    text = watch("there", "word") + watch("calm", "held.word", 'heap = "ignore"')
    sampler = await sampled(tmp_path, source, text)
    source.next()
    assert (await take(sampler)).heap is None


class Torn(ScriptedSource):
    """Works on a frame whenever a sample has read the lines once: what is told is written first."""

    def __init__(self) -> None:
        super().__init__()
        self.meanwhile: list[tuple[int, bytes]] = []

    async def _fetch(self, spans: Sequence[Span]) -> list[bytes | None]:
        parts = await super()._fetch(spans)
        if self.meanwhile and spans[0].length > 8:
            for address, data in self.meanwhile:
                self.poke(address, data)
            self.meanwhile = []
        return parts


async def test_a_torn_sample_does_not_touch_what_pointers_were_aimed_at(tmp_path: Path) -> None:
    source = Torn()
    guest = HeapGuest()
    guest.heap(BLOCKS)
    guest.aim(guest.start(1))
    sent(source, guest)
    count(source, 100)
    sampling = f"[sampling]\nrate = 240\n{GUARD}\n"
    sampler = await sampled(tmp_path, source, watch("there", "held.word"), sampling)
    assert found(await take(sampler), "there").status is Status.OK
    # handed out again, and in the same frame the pointer is elsewhere until the frame's end
    guest.heap(changed(BLOCKS, 1, kind=4, reuses=2))
    guest.aim(guest.start(2))
    sent(source, guest)
    count(source, 101)
    back = guest.start(1).to_bytes(4, "big")
    number = (102).to_bytes(4, "big")
    source.meanwhile = [(0x8000_0108, back), (BEGAN, number), (ENDED, number)]
    frame = await take(sampler)
    assert frame.stats.torn >= 1
    assert frame.number == 102
    assert found(frame, "there").status is Status.CHANGED


async def test_a_reset_of_the_guest_forgets_what_pointers_were_aimed_at(tmp_path: Path) -> None:
    source = ScriptedSource()
    guest = HeapGuest()
    guest.heap(BLOCKS)
    guest.aim(guest.start(1))
    sent(source, guest)
    count(source, 100)
    sampling = f"[sampling]\nrate = 240\n{GUARD}\n"
    sampler = await sampled(tmp_path, source, watch("there", "held.word"), sampling)
    await take(sampler)
    guest.heap(changed(BLOCKS, 1, kind=4, reuses=2))
    sent(source, guest)
    count(source, 101)
    assert found(await take(sampler), "there").status is Status.CHANGED
    count(source, 3)
    frame = await take(sampler)
    assert frame.stats.resets == 1
    assert found(frame, "there").status is Status.OK


async def test_a_room_that_moves_the_heap_leaves_no_reading_plainly_ok(tmp_path: Path) -> None:
    source = ScriptedSource()
    guest = HeapGuest()
    sampling = f"[sampling]\nrate = 240\n{GUARD}\n"
    watches = watch("there", "held.word", AIM) + watch("calm", "held.word", 'heap = "ignore"')
    aimed = ARENA + 0x60
    guest.aim(aimed)

    def room(base: int, number: int) -> None:
        guest.heap(BLOCKS, base)
        guest.poke(aimed + 4, "I", 0xBEEF)
        sent(source, guest)
        count(source, number)

    room(ARENA, 100)
    sampler = await sampled(tmp_path, source, watches, sampling)

    async def told() -> tuple[Status, object, str | None, str]:
        frame = await take(sampler)
        reading = found(frame, "there")
        assert found(frame, "calm").status is Status.OK
        return reading.status, reading.value, reading.target, reading.reason

    left = "held was aimed at lantern (block 1), which left the heap; "
    assert await told() == (Status.OK, 0xBEEF, "hit", "")
    room(ARENA + 0x4000, 101)
    assert await told() == (Status.FREED, 0xBEEF, "hit", f"{left}none is there now")
    # a hundred frames later, of which none was seen
    room(ARENA, 201)
    later = f"{left}block 1 (lantern) came there later"
    assert await told() == (Status.CHANGED, 0xBEEF, "hit", later)
    # a reset of the guest
    count(source, 3)
    assert await told() == (Status.OK, 0xBEEF, "hit", "")


class Sender(ScriptedSource):
    """Sends, from the next frame on, the lines that were wanted, as a script does."""

    def __init__(self) -> None:
        super().__init__(cadence=Cadence.ANNOUNCED, consistency=Consistency.SENDER)
        self.sends: list[Span] = []

    async def _open(self, guest: MemoryMap) -> Opened:
        held = (await super()._open(guest)).memory
        return Opened(held, guest, Status.WAITING, "has not been sent yet")

    async def _fetch(self, spans: Sequence[Span]) -> list[bytes | None]:
        parts = await super()._fetch(spans)
        return [
            part
            if any(s.address <= span.address and span.end <= s.end for s in self.sends)
            else None
            for span, part in zip(spans, parts, strict=True)
        ]


async def test_a_sender_has_sent_a_large_heap_after_a_few_frames(tmp_path: Path) -> None:
    source = Sender()
    guest = HeapGuest()
    guest.heap(gulls(150, 0xA0))
    sent(source, guest)
    sampler = await sampled(tmp_path, source, watch("n", "len(blocks())"), heap=True)
    frames = 0
    reading = None
    while frames < 40 and (reading is None or reading.status is not Status.OK):
        frames += 1
        source.sends = source.wants[-1] if source.wants else []
        source.next()
        frame = await take(sampler)
        reading = found(frame, "n")
        if not frame.build:
            continue
        assert frame.heap is not None
        assert frame.heap.awaited is (reading.status is Status.WAITING)
        waits = reading.reason.endswith("has not been sent yet")
        assert waits is (reading.status is Status.WAITING)
    assert reading is not None
    assert reading.value == 150
    # some hundred lines: each frame asks for more of them than the one before
    assert frames < 15


class Hurried(ScriptedSource):
    """A guest whose next frame begins after a few reads of lines: a long walk is always torn."""

    def __init__(self) -> None:
        super().__init__()
        self.reads = 0

    async def _fetch(self, spans: Sequence[Span]) -> list[bytes | None]:
        if spans[0].length == 8 and spans[0].address == ENDED:
            self.reads = 0
            began = await super()._fetch([Span(BEGAN, 8)])
            self.poke(ENDED, (began[0] or b"")[:4])
        elif spans[0].length > 8:
            self.reads += 1
            if self.reads == 4:
                data = (await super()._fetch([Span(BEGAN, 8)]))[0] or b""
                self.poke(BEGAN, (int.from_bytes(data[:4], "big") + 1).to_bytes(4, "big"))
        return await super()._fetch(spans)


async def test_a_long_walk_gets_to_its_end_over_torn_samples(tmp_path: Path) -> None:
    source = Hurried()
    source.poke(0x8000_0400, b"TIDE 1.0")
    source.poke(0x8000_1000, (0x8000_2000).to_bytes(4, "big"))
    for number in range(30):
        following = 0x8000_2000 + 0x300 * (number + 1) if number < 29 else 0
        source.poke(0x8000_2004 + 0x300 * number, following.to_bytes(4, "big"))
    count(source, 100)
    sampler = await Bench(tmp_path, GUARD, {"n": 'len(chain(head, "next"))'}).sampler(source)
    frame = await asyncio.wait_for(sampler.next(), 5)
    assert (frame.readings[0].value, frame.readings[0].reason) == (30, "")
    # the first sample was torn, but it has told which lines to fetch at once
    assert frame.stats.torn == 1
