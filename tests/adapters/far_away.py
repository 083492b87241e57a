"""A broker that is far away: a TCP proxy that holds back what goes through it.

It reads the packets that go by as MQTT 5.0, section 2.1, lays them out.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import asynccontextmanager

PUBLISH, PUBACK = 3, 4
ONE_WAY = 0.06
_MOST = 1 << 20


class Packets:
    """Bytes in, packets out: ``(type, flags, body)``."""

    def __init__(self) -> None:
        self._bytes = bytearray()

    def feed(self, data: bytes) -> Iterator[tuple[int, int, bytes]]:
        self._bytes += data
        while True:
            length, shift, at = 0, 0, 1
            while True:
                if at >= len(self._bytes):
                    return
                byte = self._bytes[at]
                length |= (byte & 0x7F) << shift
                shift, at = shift + 7, at + 1
                if not byte & 0x80:
                    break
            if len(self._bytes) < at + length:
                return
            first, body = self._bytes[0], bytes(self._bytes[at : at + length])
            del self._bytes[: at + length]
            yield first >> 4, first & 0x0F, body


class FarAway:
    """``most_under_way`` is the most messages at QoS 1 that went without an answer at a time."""

    def __init__(self, port: int, delay: float) -> None:
        self._port, self.delay = port, delay
        self.port = 0
        self.most_under_way = 0
        self._under_way: set[bytes] = set()
        self._tasks: set[asyncio.Task[None]] = set()

    @property
    def url(self) -> str:
        return f"mqtt://127.0.0.1:{self.port}"

    async def serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        assert task is not None
        self._tasks.add(task)
        self._under_way.clear()
        there, back = await asyncio.open_connection("127.0.0.1", self._port)
        try:
            async with asyncio.TaskGroup() as tasks:
                for source, sink, look in (
                    (reader, back, self._sent),
                    (there, writer, self._answered),
                ):
                    tasks.create_task(self._carry(source, sink, look))
        except* (OSError, asyncio.IncompleteReadError):
            pass
        finally:
            writer.close()
            back.close()
            self._tasks.discard(task)

    async def _carry(
        self,
        source: asyncio.StreamReader,
        sink: asyncio.StreamWriter,
        look: Callable[[int, int, bytes], None],
    ) -> None:
        loop, packets = asyncio.get_running_loop(), Packets()
        waiting: asyncio.Queue[tuple[float, bytes]] = asyncio.Queue(maxsize=_MOST >> 12)

        async def deliver() -> None:
            while True:
                due, data = await waiting.get()
                await asyncio.sleep(due - loop.time())
                if not data:
                    raise ConnectionResetError
                sink.write(data)
                await sink.drain()

        async with asyncio.TaskGroup() as tasks:
            tasks.create_task(deliver())
            while True:
                data = await source.read(1 << 12)
                for kind, flags, body in packets.feed(data):
                    look(kind, flags, body)
                await waiting.put((loop.time() + self.delay, data))
                if not data:
                    return

    def _sent(self, kind: int, flags: int, body: bytes) -> None:
        if kind == PUBLISH and flags & 0x06 == 0x02:
            after = 2 + int.from_bytes(body[:2], "big")
            self._under_way.add(body[after : after + 2])
            self.most_under_way = max(self.most_under_way, len(self._under_way))

    def _answered(self, kind: int, flags: int, body: bytes) -> None:
        if kind == PUBACK:
            self._under_way.discard(body[:2])

    async def end(self) -> None:
        for task in self._tasks:
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)


@asynccontextmanager
async def far_away(port: int, delay: float = ONE_WAY) -> AsyncIterator[FarAway]:
    """The broker at *port*, *delay* seconds away each way."""
    proxy = FarAway(port, delay)
    server = await asyncio.start_server(proxy.serve, "127.0.0.1", 0)
    proxy.port = server.sockets[0].getsockname()[1]
    try:
        yield proxy
    finally:
        server.close()
        await proxy.end()
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(1):
                await server.wait_closed()
