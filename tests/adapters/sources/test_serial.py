"""A console behind a real pair of ports: garbage, damage, unplugging, and either side anew."""

from __future__ import annotations

import asyncio
import random
from collections.abc import Iterator
from pathlib import Path

import pytest
import serial

from adapters.sources.pushed import lhp
from adapters.sources.pushed import serial as serial_source
from adapters.sources.pushed.lhp import (  # fmt: skip
    Ack,
    Bye,
    ErrorMessage,
    FramePart,
    Hello,
    Message,
    Ping,
    Pong,
    Want,
    Welcome,
    encode,
)
from adapters.sources.pushed.lhp_stream import StreamReceiver
from adapters.sources.pushed.serial import SerialLine
from bridge.memory.address_map import MemoryMap, Region, Span
from bridge.memory.byte_order import ByteOrder
from bridge.ports.source import Cadence, Consistency, Opened
from schemas.errors import SourceLost, SourceUnusable
from schemas.source_settings import SerialSource
from tests.adapters.sources.pty_pair import PtyPair

BASE = 0x8000_0000
MEMORY = MemoryMap([Region("ram", BASE, 0x4000, (0xA000_0000,))])
HELLO = Hello(BASE, 0x4000, name="gull")
FIRST = Span(BASE, 0x100)
TIMEOUT = 10.0

needs_socat = pytest.mark.needs("socat", "socat")


class Console:
    """A program on the console, as the line sees it."""

    def __init__(self, pair: PtyPair) -> None:
        self.pair = pair
        self.receiver = StreamReceiver()
        self.messages: list[Message] = []

    def say(self, *messages: Message | bytes) -> None:
        for message in messages:
            self.pair.console.write(message if isinstance(message, bytes) else encode(message))

    async def hear(self, kind: type[Message] | None = None) -> Message:
        """The next message, or the next of a kind."""
        async with asyncio.timeout(TIMEOUT):
            while True:
                while self.messages:
                    message = self.messages.pop(0)
                    if kind is None or isinstance(message, kind):
                        return message
                data = self.pair.console.read(65536)
                if not data:
                    await asyncio.sleep(0.002)
                self.messages += [lhp.decode(*pair) for pair in self.receiver.receive(data)]


@pytest.fixture
def pair(tmp_path: Path) -> Iterator[PtyPair]:
    with PtyPair(tmp_path) as made:
        yield made


@pytest.fixture
def console(pair: PtyPair) -> Console:
    return Console(pair)


def source_of(port: Path | str, *, idle_timeout: float = 30.0) -> SerialLine:
    return SerialLine(SerialSource(kind="serial", port=str(port)), idle_timeout=idle_timeout)


async def greeted(console: Console, source: SerialLine, hello: Hello = HELLO) -> Opened:
    """Open, with a console that says HELLO until it is welcomed."""
    opening = asyncio.create_task(source.open(MEMORY))
    async with asyncio.timeout(TIMEOUT):
        while not opening.done():
            console.say(hello)
            await asyncio.wait([opening], timeout=0.1)
    opened = opening.result()
    await console.hear(Welcome)
    return opened


async def waited(source: SerialLine) -> int | None:
    return await asyncio.wait_for(source.wait(), TIMEOUT)


def frame(number: int, seed: int = 0) -> FramePart:
    return FramePart(number, False, ((BASE, random.Random(number + seed).randbytes(256)),))


@needs_socat
async def test_text_right_behind_every_frame(console: Console) -> None:
    source = source_of(console.pair.host)
    await greeted(console, source)
    try:
        for number in range(1, 40):
            console.say(frame(number), b"tide: %d\r\n" % number)
            assert await waited(source) == number
            assert await console.hear(Ack) == Ack(number)
        assert source.notes == []
    finally:
        await source.close()


def test_what_the_source_says_of_itself() -> None:
    source = source_of("COM3")
    assert (source.kind, source.name) == ("serial", "serial COM3")
    assert (source.consistency, source.cadence) == (Consistency.SENDER, Cadence.ANNOUNCED)
    assert source.declared_order is None


@needs_socat
async def test_hello_want_frame_ping_bye(pair: PtyPair, console: Console) -> None:
    source = source_of(pair.host)
    held = await greeted(console, source, Hello(BASE, 0x2000, ByteOrder.SWAP32))
    assert held.memory.regions == (Region("ram", BASE, 0x2000, (0xA000_0000,)),)
    assert source.declared_order is ByteOrder.SWAP32
    assert await source.fetch([FIRST]) == [None]
    source.want([FIRST])
    assert await console.hear(Want) == Want(lhp.MAX_PAYLOAD, ((BASE, 0x100),))
    console.say(frame(7))
    assert await console.hear() == Ack(7)
    assert await waited(source) == 7
    assert await source.fetch([FIRST]) == [frame(7).changes[0][1]]
    console.say(Ping(b"?"))
    assert await console.hear() == Pong(b"?")
    console.say(Bye())
    with pytest.raises(SourceLost) as caught:
        await waited(source)
    assert str(caught.value) == f"serial {pair.host}: the console said BYE"
    await source.close()
    with pytest.raises(SourceLost):
        await source.fetch([FIRST])


@needs_socat
async def test_garbage_and_damage_cost_themselves_only(pair: PtyPair, console: Console) -> None:
    source = source_of(pair.host)
    console.say(b"\r\nboot LH\x01 ok\r\n")
    await greeted(console, source)
    chance = random.Random(5)
    damaged = encode(frame(900))
    for number in range(1, 41):
        console.say(
            chance.choice(
                [
                    b"",
                    b"print: 7 lanterns\r\n",
                    chance.randbytes(40),
                    damaged[: chance.randrange(1, len(damaged))],
                    damaged[: chance.randrange(8, 100)] + damaged[110:],
                    encode(Ping(bytes(8)))[:-1],
                ]
            ),
            frame(number),
        )
        assert await console.hear(Ack) == Ack(number)
        assert await waited(source) == number
        assert await source.fetch([FIRST]) == [frame(number).changes[0][1]]
    await source.close()


@needs_socat
async def test_damage_is_answered_and_noted(pair: PtyPair, console: Console) -> None:
    source = source_of(pair.host)
    await greeted(console, source)
    wrong = bytearray(encode(frame(1)))
    wrong[7] ^= 0x10
    console.say(bytes(wrong))
    reason = "expected a payload of 272 bytes by its counts, found 256"
    assert await console.hear() == ErrorMessage(lhp.Code.PAYLOAD, False, reason)
    assert source.notes == [f"a damaged message was passed over: {reason}"]
    console.say(FramePart(2, False, ((BASE + 0x4000, b"x"),)))
    error = await console.hear()
    assert isinstance(error, ErrorMessage)
    assert (error.code, error.fatal) == (lhp.Code.OUTSIDE_RAM, False)
    console.say(frame(3))
    assert await console.hear() == Ack(3)
    await source.close()


@needs_socat
async def test_frames_faster_than_they_are_waited_for_end_at_the_newest(
    pair: PtyPair, console: Console
) -> None:
    source = source_of(pair.host)
    await greeted(console, source)

    def say() -> None:
        for number in range(1, 301):
            console.say(frame(number))

    talking = asyncio.create_task(asyncio.to_thread(say))
    seen: list[int] = []
    while not seen or seen[-1] != 300:
        number = await waited(source)
        assert number is not None
        assert await source.fetch([FIRST]) == [frame(number).changes[0][1]]
        seen.append(number)
    await talking
    assert seen == sorted(set(seen))
    assert source.notes == []
    await source.close()


@needs_socat
async def test_a_console_that_starts_anew_is_welcomed_again(
    pair: PtyPair, console: Console
) -> None:
    source = source_of(pair.host)
    await greeted(console, source)
    source.want([FIRST])
    console.say(frame(1000))
    await console.hear(Ack)
    assert await waited(source) == 1000
    console.say(encode(frame(1001))[:50], HELLO)
    assert await console.hear(Welcome) == Welcome(lhp.MAX_PAYLOAD, ((BASE, 0x100),))
    # its RAM is another now
    assert await source.fetch([FIRST]) == [None]
    console.say(frame(1))
    assert await waited(source) == 1
    console.say(Hello(BASE, 0x2000))
    with pytest.raises(SourceLost) as caught:
        await waited(source)
    assert caught.value.detail == "another console, or another program on it, said HELLO"
    await source.close()
    assert (await greeted(console, source, Hello(BASE, 0x2000))).memory.regions[0].size == 0x2000
    await source.close()


@needs_socat
async def test_a_console_greeted_by_an_earlier_run_is_told_to_say_hello(
    pair: PtyPair, console: Console
) -> None:
    source = source_of(pair.host)
    opening = asyncio.create_task(source.open(MEMORY))
    error: Message | None = None
    async with asyncio.timeout(TIMEOUT):
        while error is None:
            # what comes before the port is open is lost
            console.say(frame(5))
            await asyncio.sleep(0.05)
            with_error = pair.console.read(4096)
            for pair_found in console.receiver.receive(with_error):
                error = lhp.decode(*pair_found)
    assert error == ErrorMessage(lhp.Code.TYPE, True, "expected HELLO first: say it again")
    console.say(HELLO)
    await asyncio.wait_for(opening, TIMEOUT)
    await source.close()


@needs_socat
async def test_ram_in_no_region_is_refused_and_waited_for(pair: PtyPair, console: Console) -> None:
    source = source_of(pair.host)
    opening = asyncio.create_task(source.open(MEMORY))
    await asyncio.sleep(0.3)
    console.say(Hello(0x1000, 0x1000))
    error = await console.hear(ErrorMessage)
    text = "0x00001000 to 0x00002000 meets no region: expected 0x80000000 to 0x80004000"
    assert error == ErrorMessage(lhp.Code.OUTSIDE_RAM, True, text)
    assert source.notes == [f"refused: {text} (code 6)"]
    assert not opening.done()
    console.say(HELLO)
    await asyncio.wait_for(opening, TIMEOUT)
    await source.close()


@needs_socat
async def test_unplugged_while_open_and_plugged_in_again(pair: PtyPair, console: Console) -> None:
    source = source_of(pair.host)
    await greeted(console, source)
    waiting = asyncio.create_task(source.wait())
    await asyncio.sleep(0.1)
    await asyncio.to_thread(pair.unplug)
    with pytest.raises(SourceLost) as caught:
        await asyncio.wait_for(waiting, TIMEOUT)
    assert caught.value.detail.startswith(f"{pair.host} was unplugged (")
    with pytest.raises(SourceLost):
        await source.fetch([FIRST])
    await source.close()
    with pytest.raises(SourceLost) as missing:
        await source.open(MEMORY)
    assert missing.value.detail == f"{pair.host} is not there: is the cable plugged in?"
    await asyncio.to_thread(pair.plug)
    await greeted(console, source)
    console.say(frame(3))
    assert await waited(source) == 3
    await source.close()


@needs_socat
async def test_unplugged_while_it_waits_for_hello(pair: PtyPair) -> None:
    source = source_of(pair.host)
    opening = asyncio.create_task(source.open(MEMORY))
    await asyncio.sleep(0.3)
    await asyncio.to_thread(pair.unplug)
    with pytest.raises(SourceLost) as caught:
        await asyncio.wait_for(opening, TIMEOUT)
    assert "was unplugged" in caught.value.detail


@needs_socat
async def test_a_silent_console_is_lost(pair: PtyPair, console: Console) -> None:
    source = source_of(pair.host, idle_timeout=0.5)
    await greeted(console, source)
    with pytest.raises(SourceLost) as caught:
        await waited(source)
    assert caught.value.detail == "the console sent nothing for 0.5 s"
    assert await console.hear(ErrorMessage) == ErrorMessage(
        lhp.Code.IDLE, True, "sent nothing for 0.5 s"
    )
    await source.close()


@needs_socat
async def test_a_console_that_never_reads_is_read_all_the_same(
    pair: PtyPair, console: Console, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(serial_source, "_WRITE_TIMEOUT", 0.05)
    source = source_of(pair.host)
    await greeted(console, source)
    everything = [Span(BASE + 0x200 * at, 0x100) for at in range(32)]
    async with asyncio.timeout(TIMEOUT):
        while not source.notes:
            source.want(everything)
            await asyncio.sleep(0.001)
    assert source.notes == ["the line takes nothing: answers are left out"]
    console.say(frame(9))
    assert await waited(source) == 9
    await source.close()


@needs_socat
async def test_a_port_is_used_by_one_at_a_time(pair: PtyPair, console: Console) -> None:
    source = source_of(pair.host)
    await greeted(console, source)
    with pytest.raises(SourceLost) as caught:
        await source_of(pair.host).open(MEMORY)
    assert caught.value.detail == f"{pair.host} is in use by another program"
    await source.close()


async def test_what_cannot_be_opened_is_told(tmp_path: Path) -> None:
    with pytest.raises(SourceLost) as caught:
        await source_of(tmp_path / "none").open(MEMORY)
    assert caught.value.detail == f"{tmp_path / 'none'} is not there: is the cable plugged in?"
    (tmp_path / "file").write_bytes(b"")
    with pytest.raises((SourceLost, SourceUnusable)) as no_port:
        await source_of(tmp_path / "file").open(MEMORY)
    assert str(tmp_path / "file") in no_port.value.detail


@pytest.mark.parametrize(
    ("fault", "said"),
    [
        ("FileNotFoundError(2, 'no file', None, 2)", "is not there: is the cable plugged in?"),
        ("PermissionError(13, 'denied', None, 5)", "is in use by another program"),
    ],
)
async def test_what_cannot_be_opened_on_windows_is_told(
    monkeypatch: pytest.MonkeyPatch, fault: str, said: str
) -> None:
    """There pyserial's fault has text alone (serialwin32.py, ``Serial.open``).

    A port is one program's: a second ``CreateFile`` is answered with ERROR_ACCESS_DENIED (5), as
    Microsoft's page on communications resource handles says.
    """

    def refuse(*args: object, **settings: object) -> None:
        raise serial.SerialException(f"could not open port 'COM7': {fault}")

    monkeypatch.setattr(serial, "Serial", refuse)
    with pytest.raises(SourceLost) as caught:
        await source_of(Path("COM7")).open(MEMORY)
    assert caught.value.detail == f"COM7 {said}"


@needs_socat
async def test_a_driver_to_which_a_read_without_bytes_is_a_fault(
    pair: PtyPair, console: Console, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As Wine's is, in the words of pyserial (serialwin32.py, ``Serial.read``); others stay one."""
    number = 1460
    real = serial.Serial.read

    def read(self: serial.Serial, size: int = 1) -> bytes:
        data: bytes = real(self, size)
        if data or self.port != str(pair.host):
            return data
        raise serial.SerialException(
            f"GetOverlappedResult failed (OSError(22, 'Timeout.', None, {number}))"
        )

    monkeypatch.setattr(serial.Serial, "read", read)
    source = source_of(pair.host)
    await greeted(console, source)
    console.say(frame(1))
    assert await waited(source) == 1
    number = 5
    with pytest.raises(SourceLost, match="was unplugged"):
        await waited(source)
    await source.close()


@needs_socat
async def test_it_ends_while_it_waits_for_hello(pair: PtyPair, console: Console) -> None:
    source = source_of(pair.host)
    opening = asyncio.create_task(source.open(MEMORY))
    await asyncio.sleep(0.1)
    opening.cancel()
    with pytest.raises(asyncio.CancelledError):
        await opening
    await greeted(console, source)
    await source.close()
    await source.close()
