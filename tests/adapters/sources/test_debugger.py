"""The debugger source against a scripted stub that injects every fault, over real sockets."""

from __future__ import annotations

import asyncio
import itertools
import random
import re
import signal
import sys
import time
from collections.abc import AsyncIterator, Callable
from pathlib import Path

import pytest

from adapters.sources.debugger.stub import CLOSE_TIMEOUT, DebuggerStub
from bridge.memory.address_map import MemoryMap, Region, Span
from bridge.memory.byte_order import ByteOrder
from bridge.ports.guest_reader import GuestReader
from bridge.ports.source import Cadence, Consistency, Opened, Torn
from schemas.errors import SourceError, SourceLost, SourceUnusable
from schemas.source_settings import DebuggerSource
from tests.adapters.sources.scripted_stub import BASE, ScriptedStub, wire
from tests.commands import files
from tests.commands.command import Running

SIZE = 0x4000
IMAGE = random.Random(3).randbytes(SIZE)
MEMORY = MemoryMap([Region("ram", BASE, SIZE, (0xA000_0000,))])
if sys.platform == "win32":
    from ctypes import FormatError

    REFUSED = FormatError(1225).rstrip(". \r\n")  # ERROR_CONNECTION_REFUSED
else:
    REFUSED = "Connection refused"
LINE = Span(BASE + 0x100, 0x100)
FAR = Span(BASE + 0x2000, 0x100)


def held(span: Span) -> bytes:
    return IMAGE[span.address - BASE : span.end - BASE]


def source_of(
    stub: ScriptedStub, *, frame_exact: bool = False, sign_extend: bool = False
) -> DebuggerStub:
    settings = DebuggerSource(
        kind="debugger",
        address=f"127.0.0.1:{stub.port}",
        frame_exact=frame_exact,
        sign_extend=sign_extend,
    )
    return DebuggerStub(settings, answer_timeout=0.3)


@pytest.fixture
async def stub() -> AsyncIterator[ScriptedStub]:
    async with ScriptedStub(IMAGE).listening() as made:
        yield made


@pytest.fixture
async def source(stub: ScriptedStub) -> AsyncIterator[DebuggerStub]:
    made = source_of(stub)
    await made.open(MEMORY)
    yield made
    await made.close()


async def until(what: Callable[[], bool], seconds: float = 5) -> None:
    end = time.monotonic() + seconds
    while not what():
        assert time.monotonic() < end, "waited in vain"
        await asyncio.sleep(0.005)


def test_what_it_says_of_itself() -> None:
    source = DebuggerStub(DebuggerSource(kind="debugger", address="127.0.0.1:1234"))
    assert source.name == "debugger 127.0.0.1:1234"
    assert source.consistency is Consistency.HALTED
    assert source.cadence is Cadence.SPARING


# fault 1: a stop before the first answer


async def test_a_stop_before_the_first_answer_leaves_answers_in_step(
    stub: ScriptedStub, source: DebuggerStub
) -> None:
    assert stub.packets[:3] == [b"qSupported", b"?", b"c"]
    assert await source.fetch([LINE, FAR]) == [held(LINE), held(FAR)]
    assert stub.breaches == []


async def test_stops_and_output_between_answers_leave_them_in_step(
    stub: ScriptedStub, source: DebuggerStub
) -> None:
    def noisy(packet: bytes) -> bytes | None:
        if packet[:1] == b"m":
            stub.say(wire(b"O6869") + b"%Stop:T05#f4" + wire(b"T05thread:01;"))
        return None

    stub.script = noisy
    spans = [Span(BASE + at, 0x20) for at in range(0, SIZE, 0x400)]
    assert await source.fetch(spans) == [held(span) for span in spans]


async def test_a_stub_that_says_nothing_when_it_halts(stub: ScriptedStub) -> None:
    stub.stops_by_itself = False
    source = source_of(stub)
    await source.open(MEMORY)
    assert source.notes == ["the guest was halted when lowhalf connected: it is let go"]
    assert await source.fetch([LINE]) == [held(LINE)]
    await source.close()
    assert stub.running


async def test_nothing_is_sent_while_the_guest_runs(
    stub: ScriptedStub, source: DebuggerStub
) -> None:
    for _ in range(20):
        await source.fetch([LINE])
        await asyncio.sleep(0.002)
    await source.close()
    assert stub.breaches == []
    assert stub.count(b"\x03") == 21
    # one acknowledgement a packet, and none for the last: the answer to D
    assert len(stub.acks) == len([p for p in stub.packets if p not in (b"c", b"D")]) + 1


# fault 2: a wrong checksum


async def test_a_damaged_answer_is_asked_for_again(
    stub: ScriptedStub, source: DebuggerStub
) -> None:
    damaged = iter([b"$00#00"])
    stub.script = lambda packet: next(damaged, None) if packet[:1] == b"m" else None
    assert await source.fetch([LINE]) == [held(LINE)]
    assert stub.acks.count(b"-") == 1


async def test_a_damaged_answer_among_many_is_asked_for_again(
    stub: ScriptedStub, source: DebuggerStub
) -> None:
    turn = itertools.count()
    stub.script = lambda packet: b"$00#00" if packet[:1] == b"m" and next(turn) == 1 else None
    spans = [Span(BASE + at, 0x20) for at in range(0, SIZE, 0x400)]
    assert await source.fetch(spans) == [held(span) for span in spans]
    assert stub.acks.count(b"-") == 0
    assert sum(packet[:1] == b"m" for packet in stub.packets) == len(spans) + 1


async def test_damage_twice_loses_the_source_and_it_comes_back(
    stub: ScriptedStub, source: DebuggerStub
) -> None:
    def damaged(packet: bytes) -> bytes | None:
        return b"$00#00$00#00" if packet[:1] == b"m" else None

    stub.script = damaged
    with pytest.raises(SourceLost) as caught:
        await source.fetch([LINE])
    assert caught.value.detail == "expected checksum 60, found '00' again"
    stub.script = lambda packet: None
    await source.close()
    await source.open(MEMORY)
    assert await source.fetch([LINE]) == [held(LINE)]
    assert stub.connections == 2


# fault 3: short answers, answers that are no hexadecimal, errors


@pytest.mark.parametrize("answer", [b"0102", b"", b"E14", b"E01", b"zz" * 0x100, b"00" * 0x101])
async def test_only_the_bad_span_is_missing_and_never_zero(
    stub: ScriptedStub, source: DebuggerStub, answer: bytes
) -> None:
    def bad(packet: bytes) -> bytes | None:
        if packet[:1] != b"m":
            return None
        address, length = (int(number, 16) for number in packet[1:].split(b","))
        touches = address < BASE + 0x300 and address + length > BASE + 0x200
        return wire(answer) if touches and address & 0xFFFF_FFFF == address else None

    stub.script = bad
    spans = [LINE, Span(BASE + 0x200, 0x100), Span(BASE + 0x300, 0x100), FAR]
    assert await source.fetch(spans) == [held(LINE), None, held(spans[2]), held(FAR)]


# fault 4: outside every region


async def test_what_is_outside_is_never_sent(stub: ScriptedStub, source: DebuggerStub) -> None:
    reader = GuestReader(source, Opened(MEMORY, MEMORY), ByteOrder.BIG)
    before = len(stub.packets)
    for span in (Span(BASE + SIZE, 8), Span(BASE - 8, 8), Span(BASE + SIZE - 8, 16)):
        with pytest.raises(SourceError) as caught:
            await reader.fetch([LINE, span])
        assert caught.value.address == span.address
    assert len(stub.packets) == before
    # spans at the very ends are not widened beyond them
    await source.fetch([Span(BASE, 8), Span(BASE + SIZE - 8, 8)])
    for packet in stub.packets[before:]:
        if packet[:1] == b"m":
            address, length = (int(number, 16) for number in packet[1:].split(b","))
            assert address >= BASE
            assert address + length <= BASE + SIZE


# fault 5: the guest does not stop


async def test_a_guest_that_does_not_stop_is_stalled(
    stub: ScriptedStub, source: DebuggerStub
) -> None:
    stub.hangs = True
    with pytest.raises(SourceLost) as caught:
        await source.fetch([LINE])
    assert caught.value.detail == "stalled: the guest did not stop within 0.3 s"
    await source.close()


async def test_a_stub_that_does_not_answer_is_stalled(
    stub: ScriptedStub, source: DebuggerStub
) -> None:
    stub.script = lambda packet: b"" if packet[:1] == b"m" else None
    with pytest.raises(SourceLost) as caught:
        await source.fetch([LINE])
    assert caught.value.detail == "stalled: no answer from the stub within 0.3 s"
    await source.close()
    assert stub.running
    assert stub.packets[-1] == b"D"


async def test_a_stub_that_another_debugger_uses(stub: ScriptedStub) -> None:
    stub.script = lambda packet: b""
    with pytest.raises(SourceLost) as caught:
        await source_of(stub).open(MEMORY)
    assert caught.value.detail == "no answer in 0.3 s: does another debugger use the stub?"


# fault 6: every way out lets the guest go


async def test_close_detaches_once(stub: ScriptedStub, source: DebuggerStub) -> None:
    began = time.monotonic()
    await source.close()
    # well before the limit: the stub's answer is what ends it
    assert time.monotonic() - began < CLOSE_TIMEOUT / 2
    await source.close()
    assert stub.packets[-2:] == [b"\x03", b"D"]
    assert stub.count(b"D") == 1
    assert stub.running


@pytest.mark.parametrize("hangs_at", [b"m", b"\x03", b"qSupported", b"?", b"Z2", b"z2", b"s"])
async def test_cancelled_anywhere_it_detaches(stub: ScriptedStub, hangs_at: bytes) -> None:
    reached = asyncio.Event()

    def silent(packet: bytes) -> bytes | None:
        if not packet.startswith(hangs_at):
            return None
        reached.set()
        return b""

    stub.script = silent
    source = source_of(stub, frame_exact=True)

    async def work() -> None:
        try:
            await source.open(MEMORY)
            source.know_counter(BASE + 0x10, 4)
            if hangs_at == b"\x03":
                stub.hangs = True
                reached.set()
            while True:
                async with source.held_still():
                    await source.fetch([LINE])
                asyncio.get_running_loop().call_later(0.01, stub.halt, b"T05watch:80000010;")
                await source.wait()
        finally:
            await source.close()

    task = asyncio.create_task(work())
    async with asyncio.timeout(5):
        await reached.wait()
        await asyncio.sleep(0.02)
        task.cancel()
        with pytest.raises(asyncio.CancelledError):
            await task
    await until(lambda: stub.running)
    if hangs_at != b"\x03":
        assert stub.packets[-1] == b"D"


async def test_cancelled_while_it_connects_it_detaches(stub: ScriptedStub) -> None:
    for rounds in range(8):
        source = source_of(stub)
        opening = asyncio.create_task(source.open(MEMORY))
        for _ in range(rounds):
            await asyncio.sleep(0)
        opening.cancel()
        await asyncio.gather(opening, return_exceptions=True)
        await source.close()
        await until(lambda: stub.running)


async def test_cancelled_twice_it_detaches(stub: ScriptedStub) -> None:
    source = source_of(stub)
    await source.open(MEMORY)
    stub.script = lambda packet: b"" if packet[:1] in (b"m", b"D") else None
    fetching = asyncio.create_task(source.fetch([LINE]))
    await until(lambda: any(packet[:1] == b"m" for packet in stub.packets))
    stub.running = False
    fetching.cancel()
    closing = asyncio.create_task(source.close())
    await asyncio.sleep(0.05)
    closing.cancel()
    await asyncio.gather(fetching, closing, return_exceptions=True)
    await until(lambda: stub.packets[-1] == b"D")


async def test_a_close_that_is_cancelled_at_once_detaches(stub: ScriptedStub) -> None:
    for rounds in range(8):
        source = source_of(stub)
        await source.open(MEMORY)
        await until(lambda: stub.running)
        closing = asyncio.create_task(source.close())
        for _ in range(rounds):
            await asyncio.sleep(0)
        closing.cancel()
        await asyncio.gather(closing, return_exceptions=True)
        if rounds == 0:
            await source.close()
        await until(lambda: stub.packets[-1] == b"D" and stub.running)
    assert stub.breaches == []


@pytest.mark.posix("on Windows SIGTERM ends a program outright, which nothing can follow")
async def test_sigterm_while_halted_detaches(stub: ScriptedStub, tmp_path: Path) -> None:
    stub.image[:] = files.ram()
    # the first frames are read; then a read is never answered, and the guest stays halted
    reads = itertools.count()
    stub.script = lambda packet: b"" if packet[:1] == b"m" and next(reads) > 20 else None
    table = f'kind = "debugger"\naddress = "127.0.0.1:{stub.port}"'
    path = files.write(
        tmp_path, bridge=files.BRIDGE.replace('kind = "file"\npath = "t.bin"', table)
    )
    with Running("run", str(path), "--quiet") as daemon:
        await until(lambda: next(reads) > 0 and stub.count(b"c") > 2, 20)
        await until(lambda: not stub.running and stub.packets[-1][:1] == b"m", 20)
        await asyncio.sleep(0.1)
        assert await asyncio.to_thread(daemon.stop, signal.SIGTERM) == 0
    assert stub.packets[-1] == b"D"
    assert stub.running
    assert not any("Traceback" in line for line in daemon.logged)


# fault 7: others halt the guest


async def test_a_guest_that_others_halt_is_read_and_not_let_go(
    stub: ScriptedStub, source: DebuggerStub
) -> None:
    await source.fetch([LINE])
    await until(lambda: stub.running)
    resumed = stub.count(b"c")
    stub.halt()
    await asyncio.sleep(0.02)
    for _ in range(3):
        assert await source.fetch([LINE]) == [held(LINE)]
    assert source.notes == [
        "the guest was halted by something else (signal 2): it is read as it stands, and goes on "
        "when that lets it"
    ]
    assert stub.count(b"c") == resumed
    assert not stub.running
    source.notes.clear()
    stub.running = True
    assert await source.fetch([LINE]) == [held(LINE)]
    assert source.notes == ["the guest goes on"]
    await until(lambda: stub.count(b"c") == resumed + 1)
    assert stub.running


@pytest.mark.parametrize("changes", [False, True])
@pytest.mark.parametrize("swallowed", [b"+", b"$"])
@pytest.mark.parametrize("by_others", [False, True])
async def test_a_guest_that_others_let_go_in_the_midst_of_a_sample(
    stub: ScriptedStub, swallowed: bytes, changes: bool, by_others: bool
) -> None:
    """The next question halts the guest, and its first byte is lost: then no later answer is taken
    for the lost one's, and the guest does not stay halted.  The sample stands where nothing of it
    is different now."""
    if swallowed == b"$":
        stub.features = b"PacketSize=200;QStartNoAckMode+"
        stub.script = lambda packet: wire(b"OK") if packet == b"QStartNoAckMode" else None
    source = source_of(stub)
    await source.open(MEMORY)
    await until(lambda: stub.running)
    if by_others:
        stub.halt()
        await asyncio.sleep(0.02)
    other = Span(FAR.address + 0x800, 0x100)
    async with source.held_still():
        assert await source.fetch([LINE]) == [held(LINE)]
        stub.running = True
        stub.packets.clear()
        if changes:
            stub.image[0x100:0x108] = b"lanterns"
            with pytest.raises(Torn, match="the guest went on inside a sample"):
                await source.fetch([FAR, other])
        else:
            assert await source.fetch([FAR, other]) == [held(FAR), held(other)]
    assert stub.packets[0] == swallowed
    assert (source.take_notes()[-1:] == ["the guest goes on"]) is by_others
    await until(lambda: stub.running)
    async with source.held_still():
        assert await source.fetch([FAR, other]) == [held(FAR), held(other)]
    await until(lambda: stub.running)
    await source.close()


async def test_a_guest_that_others_let_go_just_before_we_do(stub: ScriptedStub) -> None:
    source = source_of(stub)
    await source.open(MEMORY)
    await until(lambda: stub.running)
    async with source.held_still():
        assert await source.fetch([LINE]) == [held(LINE)]
        # the acknowledgement has been taken for what it is, and the word to go on is lost
        stub.running, stub.swallows = True, b"+$"
    await until(lambda: stub.packets[-1] == b"$")
    assert not stub.running
    async with source.held_still():
        assert await source.fetch([LINE]) == [held(LINE)]
    await until(lambda: stub.running)
    assert source.take_notes() == []
    await source.close()


@pytest.mark.parametrize("at", [0, 1])
async def test_a_guest_that_others_let_go_in_the_midst_of_a_burst(
    stub: ScriptedStub, source: DebuggerStub, at: int
) -> None:
    reads = itertools.count()

    def let_go_behind(packet: bytes) -> None:
        if packet[:1] == b"m" and next(reads) == at:
            stub.running = True

    stub.features = b"PacketSize=40"
    await source.close()
    await source.open(MEMORY)
    await until(lambda: stub.running)
    stub.script = let_go_behind
    spans = [Span(FAR.address + 0x200 * number, 0x40) for number in range(4)]
    assert await source.fetch(spans) == [held(span) for span in spans]
    await until(lambda: stub.running)


async def test_what_is_asked_alone_is_asked_again_where_others_let_the_guest_go(
    stub: ScriptedStub, source: DebuggerStub
) -> None:
    await source.fetch([LINE])
    await until(lambda: stub.running)
    stub.halt()
    await asyncio.sleep(0.02)

    def let_go_behind(packet: bytes) -> None:
        if packet == b"m80000000,1":
            asyncio.get_running_loop().call_soon(setattr, stub, "running", True)

    stub.script = let_go_behind
    assert await source.fetch([FAR]) == [held(FAR)]
    assert source.take_notes()[-1] == "the guest goes on"
    await until(lambda: stub.running)


async def test_stops_that_come_again_and_again_are_a_line_each(
    stub: ScriptedStub, source: DebuggerStub
) -> None:
    await source.fetch([LINE])
    for _ in range(30):
        await until(lambda: stub.running)
        stub.halt()
        await asyncio.sleep(0.01)
        await source.fetch([LINE])
        stub.running = True
        await source.fetch([LINE])
    assert source.take_notes() == [
        "the guest was halted by something else (signal 2): it is read as it stands, and goes on "
        "when that lets it",
        "the guest goes on",
    ]


async def test_closing_leaves_a_guest_halted_that_others_halted(
    stub: ScriptedStub, source: DebuggerStub
) -> None:
    await until(lambda: stub.running)
    stub.halt()
    await asyncio.sleep(0.02)
    await source.fetch([LINE])
    await source.close()
    assert stub.count(b"D") == 0
    assert not stub.running
    source.notes.clear()
    await source.open(MEMORY)
    assert await source.fetch([LINE]) == [held(LINE)]
    assert not stub.running
    assert source.notes == []


# reads


async def test_neighbours_are_read_together_within_the_packet_size(
    stub: ScriptedStub, source: DebuggerStub
) -> None:
    spans = [Span(BASE + at, 0x80) for at in (0x100, 0x180, 0x240, 0x1000)]
    assert await source.fetch(list(reversed(spans))) == [held(s) for s in reversed(spans)]
    asked = [packet for packet in stub.packets if packet[:1] == b"m"]
    assert asked == [b"m80000100,100", b"m80000200,c0", b"m80001000,80"]
    (whole,) = await source.fetch([Span(BASE, SIZE)])
    assert whole == IMAGE
    assert all(int(p.split(b",")[1], 16) <= 0x100 for p in stub.packets if p[:1] == b"m")


async def test_a_sample_asks_for_nothing_twice(stub: ScriptedStub, source: DebuggerStub) -> None:
    ended, began = Span(BASE + 0x110, 8), Span(BASE + 0x100, 8)
    async with source.held_still():
        assert await source.fetch([ended]) == [held(ended)]
        assert await source.fetch([FAR]) == [held(FAR)]
        assert await source.fetch([began]) == [held(began)]
    asked = [packet for packet in stub.packets if packet[:1] == b"m"]
    assert asked == [b"m80000100,40", b"m80002000,100"]
    stub.image[0x110:0x118] = b"lanterns"
    await until(lambda: stub.running)
    stub.packets.clear()
    async with source.held_still():
        assert await source.fetch([ended]) == [b"lanterns"]
        assert await source.fetch([FAR]) == [held(FAR)]
        # what the sample before asked for came along with the first question
        assert stub.packets == [b"\x03", b"m80000100,40", b"m80002000,100"]
        assert await source.fetch([began]) == [held(began)]
        assert len(stub.packets) == 3


# one burst a sample


NEAR = Span(BASE + 0x1000, 8)


async def steady(source: DebuggerStub, *spans: Span) -> None:
    """Samples that ask for the same, until that counts as their habit."""
    for _ in range(4):
        async with source.held_still():
            for span in spans:
                await source.fetch([span])


async def test_a_fetch_alone_is_one_burst_and_lets_the_guest_go_before_it_looks(
    stub: ScriptedStub, source: DebuggerStub
) -> None:
    await source.fetch([LINE])
    await until(lambda: stub.running)
    stub.packets.clear()
    assert await source.fetch([FAR, NEAR]) == [held(FAR), held(NEAR)]
    await until(lambda: stub.running)
    assert stub.packets == [b"\x03", b"m80001000,40", b"m80002000,100", b"c"]
    assert stub.breaches == []


async def test_a_steady_sample_lets_the_guest_go_before_it_is_looked_at(
    stub: ScriptedStub, source: DebuggerStub
) -> None:
    await steady(source, NEAR, FAR)
    await until(lambda: stub.running)
    for number in range(3):
        stub.image[0x1000:0x1008] = bytes([number]) * 8
        stub.packets.clear()
        async with source.held_still():
            await until(lambda: stub.running)
            # what stands in memory now is of a later moment
            stub.image[0x1000:0x1008] = b"lanterns"
            assert await source.fetch([NEAR]) == [bytes([number]) * 8]
            assert await source.fetch([FAR, NEAR]) == [held(FAR), bytes([number]) * 8]
        assert stub.packets == [b"\x03", b"m80001000,40", b"m80002000,100", b"c"]
    assert stub.breaches == []
    assert 0 < source._halts._halted_for < 5


async def test_samples_that_ask_for_something_new_hold_the_guest_to_their_end(
    stub: ScriptedStub, source: DebuggerStub
) -> None:
    for number in range(6):
        async with source.held_still():
            await source.fetch([NEAR])
            await source.fetch([Span(BASE + 0x2000 + 0x200 * number, 0x100)])
            await asyncio.sleep(0.01)
            assert not stub.running


async def test_a_late_question_has_the_guest_halted_again(
    stub: ScriptedStub, source: DebuggerStub
) -> None:
    await steady(source, NEAR)
    await until(lambda: stub.running)
    stub.packets.clear()
    async with source.held_still():
        assert await source.fetch([NEAR]) == [IMAGE[0x1000:0x1008]]
        await until(lambda: stub.running)
        # nothing that it has seen is different: the sample is of this moment as well
        assert await source.fetch([FAR]) == [held(FAR)]
        assert stub.packets == [
            *(b"\x03", b"m80001000,40", b"c"),
            *(b"\x03", b"m80001000,40", b"m80002000,100"),
        ]
        assert await source.fetch([LINE]) == [held(LINE)]
        assert not stub.running
    await until(lambda: stub.running)
    # the next one holds it, since it may want more as well
    async with source.held_still():
        await source.fetch([NEAR])
        await asyncio.sleep(0.01)
        assert not stub.running
    await until(lambda: stub.running)
    assert stub.breaches == []


async def test_a_late_question_of_another_moment_tears_the_sample(
    stub: ScriptedStub, source: DebuggerStub
) -> None:
    await steady(source, NEAR)
    async with source.held_still():
        assert await source.fetch([NEAR]) == [IMAGE[0x1000:0x1008]]
        await until(lambda: stub.running)
        stub.image[0x1000:0x1008] = b"lanterns"
        with pytest.raises(Torn) as caught:
            await source.fetch([FAR])
    assert str(caught.value) == "no whole frame: the guest went on inside a sample"
    await until(lambda: stub.running)
    async with source.held_still():
        assert await source.fetch([NEAR, FAR]) == [b"lanterns", held(FAR)]
        await asyncio.sleep(0.01)
        assert not stub.running
    assert stub.breaches == []


@pytest.mark.parametrize("answer", [b"E14", b"00"])
async def test_the_guest_is_held_where_a_part_cannot_be_read(
    stub: ScriptedStub, source: DebuggerStub, answer: bytes
) -> None:
    def bad(packet: bytes) -> bytes | None:
        return wire(answer) if packet.startswith(b"m80002000") else None

    stub.script = bad
    for _ in range(5):
        async with source.held_still():
            assert await source.fetch([NEAR, FAR, LINE]) == [held(NEAR), None, held(LINE)]
            await asyncio.sleep(0.005)
            assert not stub.running
    assert await source.fetch([FAR, LINE]) == [None, held(LINE)]
    await until(lambda: stub.running)
    assert stub.breaches == []


async def test_damage_in_a_burst_holds_the_guest_and_is_asked_for_again(
    stub: ScriptedStub, source: DebuggerStub
) -> None:
    await steady(source, NEAR, FAR, LINE)
    damaged = iter([b"$00#00"])
    stub.script = lambda packet: next(damaged, None) if packet[:3] == b"m80" else None
    async with source.held_still():
        for span in (NEAR, FAR, LINE):
            assert await source.fetch([span]) == [held(span)]
    await until(lambda: stub.running)
    assert stub.breaches == []
    assert await source.fetch([FAR]) == [held(FAR)]


async def test_a_damaged_stop_is_asked_for_again(stub: ScriptedStub, source: DebuggerStub) -> None:
    await steady(source, NEAR)
    await until(lambda: stub.running)
    right = stub.halt

    def damaged(stop: bytes = b"T02thread:01;") -> None:
        right(stop)
        stub._last = wire(stop)

    stub.halt = damaged  # type: ignore[method-assign]
    say, first = stub.say, iter([b"$T02#00"])
    stub.say = lambda data: say(next(first, data))  # type: ignore[method-assign]
    async with source.held_still():
        assert await source.fetch([NEAR]) == [held(NEAR)]
    assert stub.acks.count(b"-") == 1
    await until(lambda: stub.running)


async def test_a_stop_of_another_kind_is_not_taken_for_ours(
    stub: ScriptedStub, source: DebuggerStub
) -> None:
    await steady(source, NEAR)
    await until(lambda: stub.running)
    right = stub.halt
    stub.halt = lambda stop=b"": right(b"T0b")  # type: ignore[method-assign]
    async with source.held_still():
        assert await source.fetch([NEAR]) == [held(NEAR)]
    await asyncio.sleep(0.02)
    assert not stub.running
    assert source.notes == [
        "the guest was halted by something else (signal 11): it is read as it stands, and goes "
        "on when that lets it"
    ]


async def test_a_program_that_ends_in_the_moment_of_a_burst_is_lost(
    stub: ScriptedStub, source: DebuggerStub
) -> None:
    await steady(source, NEAR)
    await until(lambda: stub.running)
    right = stub.halt
    stub.halt = lambda stop=b"": right(b"W00")  # type: ignore[method-assign]
    with pytest.raises(SourceLost) as caught:
        await source.fetch([NEAR])
    assert caught.value.detail == "the program that the stub debugs has ended"


async def test_more_than_can_be_under_way_at_once(stub: ScriptedStub, source: DebuggerStub) -> None:
    spans = [Span(BASE + at, 0x20) for at in range(0, SIZE, 0x100)]
    assert await source.fetch(spans) == [held(span) for span in spans]
    await steady(source, *spans)
    await until(lambda: stub.running)
    stub.packets.clear()
    async with source.held_still():
        assert await source.fetch(spans) == [held(span) for span in spans]
    await until(lambda: stub.running)
    assert [packet[:1] for packet in stub.packets] == [b"\x03", *[b"m"] * len(spans), b"c"]
    assert stub.breaches == []


@pytest.mark.parametrize("silent", [b"m80001000", b"m80002000"])
async def test_cancelled_in_a_burst_it_detaches(stub: ScriptedStub, silent: bytes) -> None:
    source = source_of(stub)
    await source.open(MEMORY)
    await steady(source, NEAR, FAR)
    stub.script = lambda packet: b"" if packet.startswith(silent) else None

    async def sample() -> None:
        async with source.held_still():
            await source.fetch([NEAR])

    task = asyncio.create_task(sample())
    await asyncio.sleep(0.05)
    assert not stub.running
    task.cancel()
    with pytest.raises(asyncio.CancelledError):
        await task
    await source.close()
    await until(lambda: stub.running)
    assert stub.packets[-1] == b"D"


@pytest.mark.parametrize("silent", [b"m80001000", b"m80002000"])
async def test_a_burst_without_an_answer_is_stalled(stub: ScriptedStub, silent: bytes) -> None:
    source = source_of(stub)
    await source.open(MEMORY)
    await steady(source, NEAR, FAR)
    stub.script = lambda packet: b"" if packet.startswith(silent) else None
    with pytest.raises(SourceLost) as caught:
        await source.fetch([NEAR, FAR])
    assert caught.value.detail == "stalled: no answer from the stub within 0.3 s"
    stub.hangs = True
    await source.close()
    await until(lambda: stub.running)


def only_extended(stub: ScriptedStub) -> Callable[[bytes], bytes | None]:
    def answer(packet: bytes) -> bytes | None:
        if packet[:1] != b"m":
            return None
        address, length = (int(number, 16) for number in packet[1:].split(b","))
        at = address - 0xFFFF_FFFF_8000_0000
        return wire(stub.image[at : at + length].hex().encode() if at >= 0 else b"E14")

    return answer


@pytest.mark.parametrize("declared", [False, True])
async def test_addresses_are_sign_extended_where_the_stub_wants_it(
    stub: ScriptedStub, declared: bool
) -> None:
    stub.script = only_extended(stub)
    source = source_of(stub, sign_extend=declared)
    await source.open(MEMORY)
    for _ in range(3):
        assert await source.fetch([LINE]) == [held(LINE)]
    plain = [packet for packet in stub.packets if packet.startswith(b"m8")]
    assert len(plain) == (0 if declared else 1)
    told = ["the stub wants addresses sign-extended to 64 bits: they are"]
    assert source.notes == ([] if declared else told)
    await source.close()


async def test_no_ack_mode_where_it_is_offered(stub: ScriptedStub) -> None:
    stub.features = b"PacketSize=200;QStartNoAckMode+"
    stub.script = lambda packet: wire(b"OK") if packet == b"QStartNoAckMode" else None
    source = source_of(stub)
    await source.open(MEMORY)
    assert stub.packets[:2] == [b"qSupported", b"QStartNoAckMode"]
    acknowledged = len(stub.acks)
    assert await source.fetch([LINE, FAR]) == [held(LINE), held(FAR)]
    await source.close()
    assert len(stub.acks) == acknowledged
    assert stub.breaches == []


async def test_an_ended_program_and_a_cut_connection_are_lost(
    stub: ScriptedStub, source: DebuggerStub
) -> None:
    await until(lambda: stub.running)
    stub.halt(b"W00")
    await asyncio.sleep(0.02)
    with pytest.raises(SourceLost) as caught:
        await source.fetch([LINE])
    assert caught.value.detail == "the program that the stub debugs has ended"
    await source.close()
    stub.running = True
    await source.open(MEMORY)
    stub.cut()
    await asyncio.sleep(0.02)
    with pytest.raises(SourceLost) as caught:
        await source.fetch([LINE])
    assert "closed the connection" in caught.value.detail or "was cut" in caught.value.detail


async def test_nothing_listening_and_addresses_that_cannot_be() -> None:
    async with ScriptedStub(IMAGE).listening() as stub:
        port = stub.port
    for address, kind, message in (
        (
            f"127.0.0.1:{port}",
            SourceLost,
            f"nothing answers there ({REFUSED}): is the emulator running, with its stub on?",
        ),
        ("127.0.0.1:0", SourceUnusable, "address: expected the stub's port, found 0"),
        (
            "lamp",
            SourceUnusable,
            'address: expected a host and a port such as 127.0.0.1:7365, found "lamp"',
        ),
    ):
        source = DebuggerStub(DebuggerSource(kind="debugger", address=address))
        with pytest.raises(kind) as caught:
            await source.open(MEMORY)
        assert caught.value.detail == message


# the guest's time


async def test_much_time_taken_is_told_once_a_change(stub: ScriptedStub) -> None:
    now = 0.0
    settings = DebuggerSource(kind="debugger", address=f"127.0.0.1:{stub.port}")
    source = DebuggerStub(settings, measure_for=1.0, clock=lambda: now)
    await source.open(MEMORY)

    async def sample(times: int, halted: float, running: float) -> None:
        nonlocal now
        for _ in range(times):
            async with source.held_still():
                now += halted
            now += running

    await sample(200, 0.001, 0.015)
    assert source.notes == []
    assert source.taken == pytest.approx(1 / 16, rel=0.05)
    await sample(200, 0.004, 0.012)
    (note,) = source.notes
    told = re.fullmatch(
        "halting takes (..)% of the guest's time: watch less, lower the rate, or read it by "
        "shared, push or process",
        note,
    )
    assert told
    assert 10 < int(told[1]) <= 25
    source.notes.clear()
    await sample(400, 0.001, 0.015)
    assert source.notes == ["halting takes 6% of the guest's time now"]
    await source.close()


# frame by frame


async def test_a_frame_is_taken_after_its_counter_is_written(stub: ScriptedStub) -> None:
    source = source_of(stub, frame_exact=True)
    await source.open(MEMORY)
    assert not source.cadence.announced
    source.know_counter(BASE + 0x10, 4)
    assert source.cadence is Cadence.TRAPPED

    async def write_the_counter() -> None:
        await until(lambda: stub.running and stub.watched != b"")
        stub.halt(b"T05thread:01;watch:80000010;")

    for _ in range(3):
        async with asyncio.timeout(2), asyncio.TaskGroup() as tasks:
            tasks.create_task(write_the_counter())
            await source.wait()
        async with source.held_still():
            assert await source.fetch([LINE]) == [held(LINE)]
    await until(lambda: stub.packets[-1] == b"c")
    began = stub.packets.index(b"Z2,80000010,4")
    assert (
        stub.packets[began:]
        == [
            *(b"Z2,80000010,4", b"c"),
            *(b"z2,80000010,4", b"s", b"m80000100,100", b"Z2,80000010,4", b"c"),
        ]
        + [b"z2,80000010,4", b"s", b"m80000100,100", b"Z2,80000010,4", b"c"] * 2
    )
    await source.close()
    assert stub.watched == b""
    assert stub.breaches == []


async def test_a_stub_without_watchpoints_is_sampled(stub: ScriptedStub) -> None:
    stub.script = lambda packet: wire(b"") if packet[:2] == b"Z2" else None
    source = source_of(stub, frame_exact=True)
    await source.open(MEMORY)
    source.know_counter(BASE + 0x10, 4)
    await source.fetch([LINE])
    assert source.cadence is Cadence.SPARING
    assert source.notes == [
        "frame_exact needs write watchpoints, and the stub does not know them: frames are sampled"
    ]
    await source.close()
