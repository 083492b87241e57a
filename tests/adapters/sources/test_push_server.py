"""The push server over real sockets on loopback, with a producer that the test plays."""

from __future__ import annotations

import asyncio
import random
import socket
from collections.abc import AsyncIterator

import pytest

from adapters.listen_address import listen_address
from adapters.sources.pushed import lhp
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
from adapters.sources.pushed.push import (
    MAX_STRANGERS_OF_A_HOST,
    MAX_UNSENT,
    TOKEN_VARIABLE,
    PushServer,
)
from bridge.memory.address_map import MemoryMap, Region, Span
from bridge.memory.byte_order import ByteOrder
from bridge.ports.guest_reader import GuestReader
from bridge.ports.source import Cadence, Consistency, Opened
from schemas.errors import SourceLost, SourceUnusable
from schemas.source_settings import PushSource

MEMORY = MemoryMap([Region("ram", 0x8000_0000, 0x4000, (0xA000_0000,))])
HELLO = Hello(0x8000_0000, 0x4000, name="gull")
FIRST = [Span(0x8000_0000, 0x100)]
TIMEOUT = 10.0


class Producer:
    """A script inside an emulator, as the server sees it."""

    def __init__(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self.reader = reader
        self.writer = writer
        self.receiver = StreamReceiver()
        self.messages: list[Message] = []

    @classmethod
    async def connect(cls, port: int) -> Producer:
        return cls(*await asyncio.open_connection("127.0.0.1", port))

    def say(self, *messages: Message | bytes) -> None:
        for message in messages:
            self.writer.write(message if isinstance(message, bytes) else encode(message))

    async def hear(self) -> Message | None:
        """The next message; None at the end of the connection."""
        async with asyncio.timeout(TIMEOUT):
            while not self.messages:
                data = await self.reader.read(65536)
                if not data:
                    return None
                self.messages += [lhp.decode(*pair) for pair in self.receiver.receive(data)]
        return self.messages.pop(0)

    async def close(self) -> None:
        self.writer.close()
        try:
            await self.writer.wait_closed()
        except OSError:
            pass


def server_of(
    listen: str = "127.0.0.1:0", *, hello_timeout: float = 5.0, idle_timeout: float = 30.0
) -> PushServer:
    return PushServer(
        PushSource(kind="push", listen=listen),
        hello_timeout=hello_timeout,
        idle_timeout=idle_timeout,
    )


async def opening(server: PushServer) -> asyncio.Task[Opened]:
    """Begin to open, and return once the port is known."""
    task = asyncio.create_task(server.open(MEMORY))
    async with asyncio.timeout(TIMEOUT):
        while not server.port or server._server is None:
            if task.done():
                break
            await asyncio.sleep(0.001)
    return task


async def greeted(server: PushServer, hello: Hello = HELLO) -> Producer:
    task = await opening(server)
    producer = await Producer.connect(server.port)
    producer.say(hello)
    assert isinstance(await producer.hear(), Welcome)
    await asyncio.wait_for(task, TIMEOUT)
    return producer


@pytest.fixture
async def server(monkeypatch: pytest.MonkeyPatch) -> AsyncIterator[PushServer]:
    monkeypatch.delenv(TOKEN_VARIABLE, raising=False)
    made = server_of()
    yield made
    await made.close()


async def waited(server: PushServer) -> int | None:
    return await asyncio.wait_for(server.wait(), TIMEOUT)


async def test_what_the_source_says_of_itself(server: PushServer) -> None:
    assert (server.kind, server.consistency) == ("push", Consistency.SENDER)
    assert server.cadence is Cadence.ANNOUNCED
    assert (server.name, server.declared_order) == ("push", None)


async def test_hello_frame_ack_bye(server: PushServer) -> None:
    producer = await greeted(server)
    assert server.name == "push gull"
    assert await server.fetch(FIRST) == [None]
    producer.say(FramePart(7, False, ((0x8000_0000, bytes(range(256))),)))
    assert await producer.hear() == Ack(7)
    assert await server.fetch(FIRST) == [None]
    assert await waited(server) == 7
    assert await server.fetch(FIRST) == [bytes(range(256))]
    producer.say(Ping(b"?"))
    assert await producer.hear() == Pong(b"?")
    producer.say(Bye())
    with pytest.raises(SourceLost) as caught:
        await waited(server)
    assert str(caught.value) == "push gull: the producer said BYE"
    with pytest.raises(SourceLost):
        await server.fetch(FIRST)
    await producer.close()


async def test_the_newest_frame_wins_and_keeps_what_older_ones_changed(server: PushServer) -> None:
    producer = await greeted(server)
    producer.say(
        FramePart(1, False, ((0x8000_0000, b"a" * 256),)),
        FramePart(2, False, ((0x8000_0100, b"b" * 256),)),
        FramePart(3, False, ((0x8000_0180, b"c" * 128),)),
    )
    assert [await producer.hear() for _ in range(3)] == [Ack(1), Ack(2), Ack(3)]
    assert await waited(server) == 3
    assert await server.fetch([Span(0x8000_0000, 0x200)]) == [b"a" * 256 + b"b" * 128 + b"c" * 128]
    await producer.close()


async def test_a_frame_that_comes_in_between_does_not_mix_with_the_one_being_read(
    server: PushServer,
) -> None:
    producer = await greeted(server)
    both = (0x8000_0000, 0x8000_0100)
    producer.say(FramePart(1, False, tuple((at, b"1" * 256) for at in both)))
    assert await producer.hear() == Ack(1)
    assert await waited(server) == 1
    assert await server.fetch([Span(both[0], 256)]) == [b"1" * 256]
    producer.say(FramePart(2, False, tuple((at, b"2" * 256) for at in both)))
    assert await producer.hear() == Ack(2)
    assert await server.fetch([Span(both[1], 256)]) == [b"1" * 256]
    assert await waited(server) == 2
    assert await server.fetch([Span(both[1], 256)]) == [b"2" * 256]
    await producer.close()


async def test_fault_17_a_connection_cut_in_a_frame_leaves_the_image(server: PushServer) -> None:
    producer = await greeted(server)
    producer.say(FramePart(1, False, ((0x8000_0000, b"1" * 256),)))
    assert await producer.hear() == Ack(1)
    assert await waited(server) == 1
    producer.say(FramePart(2, True, ((0x8000_0000, b"2" * 256),)))
    producer.say(encode(FramePart(2, False, ((0x8000_0100, b"2" * 256),)))[:-1])
    await producer.writer.drain()
    assert await server.fetch(FIRST) == [b"1" * 256]
    await producer.close()
    with pytest.raises(SourceLost) as caught:
        await waited(server)
    assert caught.value.detail == "the connection was cut"
    assert server._image is not None
    server._image.show()
    assert server._image.read(MEMORY.regions[0], FIRST[0]) == b"1" * 256


async def test_fault_17_a_bad_range_drops_the_frame_and_the_session_lives(
    server: PushServer,
) -> None:
    producer = await greeted(server)
    producer.say(
        FramePart(1, False, ((0x8000_0000, b"1" * 256), (0x7000_0000, b"gull"))),
        FramePart(2, False, ((0x8000_0100, b"2" * 256),)),
    )
    assert await producer.hear() == ErrorMessage(
        6, False, "0x70000000 to 0x70000004 is outside the RAM of HELLO"
    )
    assert await producer.hear() == Ack(2)
    assert await waited(server) == 2
    assert await server.fetch([Span(0x8000_0000, 256), Span(0x8000_0100, 256)]) == [
        None,
        b"2" * 256,
    ]
    await producer.close()


async def test_fault_17_a_browser_is_refused_and_closed(server: PushServer) -> None:
    task = await opening(server)
    browser = await Producer.connect(server.port)
    browser.say(b"POST / HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Length: 4\r\n\r\nlamp")
    assert await browser.hear() == ErrorMessage(1, True, "expected 4C 48, found 50 4F")
    assert await browser.hear() is None
    await browser.close()
    assert not task.done()
    producer = await Producer.connect(server.port)
    producer.say(HELLO)
    assert isinstance(await producer.hear(), Welcome)
    assert (await asyncio.wait_for(task, TIMEOUT)).memory.regions == MEMORY.regions
    await producer.close()


async def test_fault_17_an_over_long_message_ends_the_producer(server: PushServer) -> None:
    producer = await greeted(server)
    producer.say(b"LH\x01\x02\x00\x10\x00\x01")
    assert await producer.hear() == ErrorMessage(
        3, True, "expected a payload of at most 1048576 bytes, found 1048577"
    )
    assert await producer.hear() is None
    with pytest.raises(SourceLost) as caught:
        await waited(server)
    assert caught.value.detail == (
        "the producer was refused: expected a payload of at most 1048576 bytes, found 1048577"
    )
    await producer.close()


async def test_fault_18_a_second_producer_is_busy_and_the_first_unaffected(
    server: PushServer,
) -> None:
    first = await greeted(server)
    second = await Producer.connect(server.port)
    second.say(HELLO, FramePart(9, False, ((0x8000_0000, b"9" * 256),)))
    assert await second.hear() == ErrorMessage(9, True, "another producer is connected")
    assert await second.hear() is None
    await second.close()
    first.say(FramePart(1, False, ((0x8000_0000, b"1" * 256),)))
    assert await first.hear() == Ack(1)
    assert await waited(server) == 1
    assert await server.fetch(FIRST) == [b"1" * 256]
    assert server.notes == [
        f"listening on 127.0.0.1 port {server.port}",
        "refused a producer: another producer is connected (code 9)",
    ]
    await first.close()


async def test_two_that_connect_before_either_says_hello(server: PushServer) -> None:
    task = await opening(server)
    first, second = await Producer.connect(server.port), await Producer.connect(server.port)
    second.say(HELLO)
    assert isinstance(await second.hear(), Welcome)
    await asyncio.wait_for(task, TIMEOUT)
    first.say(HELLO)
    assert await first.hear() == ErrorMessage(9, True, "another producer is connected")
    await first.close()
    await second.close()


async def test_no_hello_in_time(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv(TOKEN_VARIABLE, raising=False)
    server = server_of(hello_timeout=0.05)
    task = await opening(server)
    silent = await Producer.connect(server.port)
    silent.say(b"LH")
    assert await silent.hear() == ErrorMessage(10, True, "no HELLO in 0.05 s")
    assert await silent.hear() is None
    assert not task.done()
    await silent.close()
    task.cancel()
    await asyncio.wait([task])
    await server.close()


async def test_an_idle_producer_is_lost(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv(TOKEN_VARIABLE, raising=False)
    server = server_of(idle_timeout=0.1)
    producer = await greeted(server)
    assert await producer.hear() == ErrorMessage(11, True, "sent nothing for 0.1 s")
    with pytest.raises(SourceLost) as caught:
        await waited(server)
    assert caught.value.detail == "sent nothing for 0.1 s"
    await producer.close()
    await server.close()


async def test_a_token_is_demanded_where_one_is_set(
    server: PushServer, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv(TOKEN_VARIABLE, "tide")
    task = await opening(server)
    wrong = await Producer.connect(server.port)
    wrong.say(HELLO)
    assert await wrong.hear() == ErrorMessage(12, True, "expected the token of LOWHALF_PUSH_TOKEN")
    await wrong.close()
    right = await Producer.connect(server.port)
    right.say(Hello(HELLO.base, HELLO.size, token=b"tide"))
    assert isinstance(await right.hear(), Welcome)
    await asyncio.wait_for(task, TIMEOUT)
    await right.close()


async def test_a_wrong_token_is_answered_late_and_the_right_one_at_once(
    server: PushServer, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv(TOKEN_VARIABLE, "tide")
    task = await opening(server)
    wrong = await Producer.connect(server.port)
    wrong.say(HELLO)
    right = await Producer.connect(server.port)
    right.say(Hello(HELLO.base, HELLO.size, token=b"tide"))
    assert isinstance(await right.hear(), Welcome)
    assert not wrong.reader._buffer  # type: ignore[attr-defined]
    assert not any("token" in note for note in server.notes)
    assert await wrong.hear() == ErrorMessage(12, True, "expected the token of LOWHALF_PUSH_TOKEN")
    assert any("expected the token" in note for note in server.notes)
    await asyncio.wait_for(task, TIMEOUT)
    await wrong.close()
    await right.close()


@pytest.mark.parametrize("said", [b"L", encode(HELLO)])
async def test_a_crowd_keeps_no_producer_out(
    said: bytes, server: PushServer, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Peers that dribble, or try tokens: each is replaced at once, and 200 more come meanwhile."""
    monkeypatch.setenv(TOKEN_VARIABLE, "tide")
    task = await opening(server)
    crowd = [await Producer.connect(server.port) for _ in range(20)]
    for peer in crowd:
        peer.say(said)

    async def go_on() -> None:
        for _ in range(200):
            peer = await Producer.connect(server.port)
            peer.say(said)
            crowd.append(peer)

    going_on = asyncio.create_task(go_on())
    await asyncio.sleep(0.05)
    began = asyncio.get_running_loop().time()
    for _ in range(20):  # a kit that was not let in connects again
        right = await Producer.connect(server.port)
        right.say(Hello(HELLO.base, HELLO.size, token=b"tide"))
        try:
            answer = await right.hear()
        except ConnectionError:
            answer = None
        if answer is not None:
            break
        await right.close()
    assert isinstance(answer, Welcome)
    # a producer is to be in within 2 s; ten times that on a machine that does other things, too
    assert asyncio.get_running_loop().time() - began < 20
    await going_on
    assert len(server._strangers) <= MAX_STRANGERS_OF_A_HOST
    right.say(FramePart(1, False, ((0x8000_0000, b"a" * 256),)))
    assert await right.hear() == Ack(1)
    await asyncio.wait_for(task, TIMEOUT)
    for peer in (*crowd, right):
        peer.writer.transport.abort()


@pytest.mark.parametrize("token", ["t", "t" * 15])
async def test_a_short_token_keeps_nobody_out(token: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(TOKEN_VARIABLE, token)
    with pytest.raises(SourceUnusable) as caught:
        await server_of("0.0.0.0:0").open(MEMORY)
    assert str(caught.value) == (
        f"push: LOWHALF_PUSH_TOKEN: expected at least 16 characters, found {len(token)}"
    )


async def test_another_address_than_loopback_needs_a_token(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.delenv(TOKEN_VARIABLE, raising=False)
    with pytest.raises(SourceUnusable) as caught:
        await server_of("0.0.0.0:0").open(MEMORY)
    assert str(caught.value) == (
        "push: 0.0.0.0:0 can be reached from other machines: set a token in LOWHALF_PUSH_TOKEN, "
        "or listen on 127.0.0.1"
    )


async def test_a_token_that_no_hello_can_hold(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(TOKEN_VARIABLE, "t" * 65)
    with pytest.raises(SourceUnusable) as caught:
        await server_of().open(MEMORY)
    assert caught.value.detail == (
        "expected a token of at most 64 bytes in LOWHALF_PUSH_TOKEN, found 65"
    )


async def test_a_port_that_is_taken_may_come_free(server: PushServer) -> None:
    producer = await greeted(server)
    other = server_of(f"127.0.0.1:{server.port}")
    with pytest.raises(SourceLost) as caught:
        await other.open(MEMORY)
    assert caught.value.detail.startswith(f"cannot listen on 127.0.0.1:{server.port} (")
    assert isinstance(caught.value.__cause__, OSError)
    await producer.close()


@pytest.mark.parametrize("listen", ["7364", "127.0.0.1:", "127.0.0.1:70000", ":1", "::1:7364"])
async def test_an_address_that_is_none(listen: str) -> None:
    with pytest.raises(SourceUnusable, match=r"^push: listen: expected "):
        await server_of(listen).open(MEMORY)


def test_loopback_addresses() -> None:
    for text in ("127.0.0.1:1", "127.9.9.9:1", "localhost:1", "[::1]:1"):
        assert listen_address(text).is_loopback
        assert str(listen_address(text)) == text
    for text in ("0.0.0.0:1", "192.0.2.1:1", "[::]:1", "tide.example:1"):
        assert not listen_address(text).is_loopback


@pytest.mark.parametrize(
    ("base", "size", "held"),
    [(0xA000_0000, 0x4000, 0x4000), (0x8000_1000, 0x1000, 0x2000), (0x8000_0000, 0x1000, 0x1000)],
)
async def test_ram_as_the_producer_has_it(
    server: PushServer, base: int, size: int, held: int
) -> None:
    task = await opening(server)
    producer = await Producer.connect(server.port)
    producer.say(Hello(base, size, ByteOrder.SWAP32))
    assert isinstance(await producer.hear(), Welcome)
    opened = await asyncio.wait_for(task, TIMEOUT)
    assert opened.memory.regions == (Region("ram", 0x8000_0000, held, (0xA000_0000,)),)
    assert server.declared_order is ByteOrder.SWAP32
    producer.say(FramePart(1, False, ((base, b"lamp" * 64),)))
    assert await producer.hear() == Ack(1)
    assert await waited(server) == 1
    canonical = 0x8000_0000 | base & 0xFFFF
    reader = GuestReader(server, opened, ByteOrder.SWAP32)
    assert await reader.fetch([Span(canonical, 0x100)]) == [b"pmal" * 64]
    await producer.close()


async def test_ram_that_meets_no_region_is_refused(server: PushServer) -> None:
    task = await opening(server)
    producer = await Producer.connect(server.port)
    producer.say(Hello(0x9000_0000, 0x1000))
    assert await producer.hear() == ErrorMessage(
        6, True,
        "0x90000000 to 0x90001000 meets no region: expected 0x80000000 to 0x80004000",
    )  # fmt: skip
    assert not task.done()
    await producer.close()
    task.cancel()
    await asyncio.wait([task])


async def test_wants_go_out_in_the_producers_addresses(server: PushServer) -> None:
    server.want([Span(0x8000_0100, 0x200)])
    task = await opening(server)
    producer = await Producer.connect(server.port)
    producer.say(Hello(0xA000_0000, 0x4000))
    assert await producer.hear() == Welcome(lhp.MAX_PAYLOAD, ((0xA000_0100, 0x200),))
    await asyncio.wait_for(task, TIMEOUT)
    server.want([Span(0x8000_0000, 0x100), Span(0x8000_3F00, 0x100)])
    assert await producer.hear() == Want(
        lhp.MAX_PAYLOAD, ((0xA000_0000, 0x100), (0xA000_3F00, 0x100))
    )
    await producer.close()


async def test_the_next_producer_may_come_after_a_close(server: PushServer) -> None:
    producer = await greeted(server)
    producer.say(FramePart(1, False, ((0x8000_0000, b"1" * 256),)))
    assert await producer.hear() == Ack(1)
    port = server.port
    for _ in range(3):
        await producer.close()
        while True:
            try:
                await waited(server)
            except SourceLost:
                break
        await server.close()
        producer = await greeted(server)
        assert server.port == port
        assert await server.fetch(FIRST) == [None]
    await producer.close()


async def test_the_next_producer_may_come_without_a_close(server: PushServer) -> None:
    producer = await greeted(server)
    await producer.close()
    with pytest.raises(SourceLost):
        await waited(server)
    second = await greeted(server)
    second.say(FramePart(1, False, ((0x8000_0000, b"1" * 256),)))
    assert await second.hear() == Ack(1)
    assert await waited(server) == 1
    await second.close()


async def test_close_ends_the_producers_connection(server: PushServer) -> None:
    producer = await greeted(server)
    await server.close()
    try:
        heard = await producer.hear()
    except ConnectionError:
        heard = None
    assert heard is None
    with pytest.raises(SourceLost):
        await waited(server)
    await producer.close()


async def test_an_open_that_is_cancelled_frees_the_port(server: PushServer) -> None:
    task = await opening(server)
    task.cancel()
    await asyncio.wait([task])
    assert task.cancelled()
    with pytest.raises(OSError):
        await Producer.connect(server.port)


async def test_a_producer_that_never_reads_is_still_read(server: PushServer) -> None:
    task = await opening(server)
    narrow = socket.socket()
    narrow.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
    narrow.setblocking(False)
    await asyncio.get_running_loop().sock_connect(narrow, ("127.0.0.1", server.port))
    _, writer = await asyncio.open_connection(sock=narrow, limit=1024)
    writer.write(encode(HELLO))
    await asyncio.wait_for(task, TIMEOUT)
    assert server._producer is not None
    transport = server._producer.transport
    transport.get_extra_info("socket").setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, 4096)
    frame = encode(FramePart(1, False, ((0x8000_0000, b"1" * 4),)))
    more = 20  # once it is full
    async with asyncio.timeout(60):
        while more:
            writer.write(frame * 500)
            await writer.drain()
            await asyncio.sleep(0)
            more -= transport.get_write_buffer_size() >= MAX_UNSENT
        writer.write(encode(FramePart(2, False, ((0x8000_0000, b"2" * 256),))))
        while await waited(server) != 2:
            pass
    assert await server.fetch(FIRST) == [b"2" * 256]
    unsent = transport.get_write_buffer_size()
    # full, so that ACKs were left out, and no fuller than that
    assert MAX_UNSENT <= unsent < MAX_UNSENT + 100
    writer.close()


async def test_a_whole_image_in_parts(server: PushServer) -> None:
    producer = await greeted(server)
    image = random.Random(4).randbytes(0x4000)
    for at in range(0, 0x4000, 0x1000):
        producer.say(FramePart(1, at < 0x3000, ((0x8000_0000 + at, image[at : at + 0x1000]),)))
    assert await producer.hear() == Ack(1)
    assert await waited(server) == 1
    assert await server.fetch([Span(0x8000_0000, 0x4000)]) == [image]
    await producer.close()


async def test_fault_17_no_damaged_connection_ends_the_server(server: PushServer) -> None:
    rng = random.Random(100)
    sent = b"".join(
        encode(message)
        for message in (
            HELLO,
            FramePart(1, True, ((0x8000_0000, b"1" * 256),)),
            FramePart(1, False, ((0x8000_0100, b"1" * 256),)),
            Ping(b"?"),
            FramePart(2, False, ((0x8000_0000, b"2" * 256),)),
        )
    )
    task = await opening(server)
    for _ in range(100):
        if task.done():
            await asyncio.wait([task])
            task = await opening(server)
        damaged = bytearray(sent)
        for _ in range(rng.randint(1, 4)):
            damaged[rng.randrange(60)] = rng.randrange(256)
        producer = await Producer.connect(server.port)
        producer.say(bytes(damaged[: rng.randint(1, len(damaged))]))
        producer.writer.write_eof()
        try:
            while await producer.hear() is not None:
                pass
        except ConnectionError:
            pass
        await producer.close()
        if server._connections:
            await asyncio.wait(server._connections, timeout=TIMEOUT)
        assert not server._connections
    if not task.done():
        task.cancel()
    await asyncio.wait([task])
    await server.close()
    producer = await greeted(server)
    producer.say(FramePart(9, False, ((0x8000_0000, b"9" * 256),)))
    assert await producer.hear() == Ack(9)
    assert await waited(server) == 9
    assert await server.fetch(FIRST) == [b"9" * 256]
    await producer.close()
