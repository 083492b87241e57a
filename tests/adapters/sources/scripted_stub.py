"""A debugger stub that a test scripts, as strict as the strictest that was measured.

It halts its guest at any byte that comes while the guest runs, swallows that byte, and says so; a
byte other than an interrupt counts as a breach, kept in ``breaches``.
"""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager

from adapters.sources.sent_at_once import send_at_once

BASE = 0x8000_0000


def wire(payload: bytes) -> bytes:
    return b"$" + payload + b"#%02x" % (sum(payload) & 0xFF)


class ScriptedStub:
    """One guest's RAM at BASE behind a stub on loopback.

    ``script`` may answer a packet with raw bytes instead of what is right; None leaves it to the
    stub.  ``packets`` holds what came, oldest first, an interrupt as 0x03.
    """

    def __init__(self, image: bytes) -> None:
        self.image = bytearray(image)
        self.port = 0
        self.features = b"PacketSize=200"
        self.running = True
        self.stops_by_itself = True
        self.hangs = False
        self.swallows = b""
        self.script: Callable[[bytes], bytes | None] = lambda packet: None
        self.packets: list[bytes] = []
        self.acks = bytearray()
        self.breaches: list[bytes] = []
        self.steps = 0
        self.connections = 0
        self.watched = b""
        self._writer: asyncio.StreamWriter | None = None
        self._last = b""
        self._serving: list[asyncio.Task[None]] = []

    @asynccontextmanager
    async def listening(self) -> AsyncIterator[ScriptedStub]:
        server = await asyncio.start_server(self._serve, "127.0.0.1", self.port)
        self.port = server.sockets[0].getsockname()[1]
        try:
            yield self
        finally:
            server.close()
            self.cut()
            if self._serving:
                await asyncio.wait(self._serving)
            await server.wait_closed()

    def cut(self) -> None:
        """Drop the connection."""
        if self._writer is not None:
            self._writer.transport.abort()

    def halt(self, stop: bytes = b"T02thread:01;") -> None:
        """The guest stops for a reason of its own."""
        self.running = False
        self.say(wire(stop))

    def say(self, data: bytes) -> None:
        if self._writer is not None:
            self._writer.write(data)

    def count(self, packet: bytes) -> int:
        return self.packets.count(packet)

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        assert task is not None
        self._serving.append(task)
        send_at_once(writer.transport)
        self._writer = writer
        self.connections += 1
        if self.running and self.stops_by_itself:
            self.halt()
        self.running = False
        buffer = b""
        try:
            while data := await reader.read(4096):
                buffer = self._take(buffer + data)
        except ConnectionError:
            pass
        finally:
            writer.transport.abort()

    def _take(self, buffer: bytes) -> bytes:
        while buffer:
            first = buffer[:1]
            if self.running and buffer.startswith(self.swallows) and self.swallows:
                # an acknowledgement that was due is taken; the byte behind it halts the guest
                self.swallows, buffer = b"", buffer[1:]
                continue
            if self.running:
                buffer = buffer[1:]
                self.packets.append(first)
                if first != b"\x03":
                    self.breaches.append(first)
                if not self.hangs:
                    self.halt()
            elif first == b"$":
                end = buffer.find(b"#")
                if end < 0 or end + 3 > len(buffer):
                    return buffer
                packet, sum_found = buffer[1:end], buffer[end + 1 : end + 3]
                buffer = buffer[end + 3 :]
                assert int(sum_found, 16) == sum(packet) & 0xFF
                self._answer(packet)
            else:
                buffer = buffer[1:]
                if first in b"+-":
                    self.acks += first
                if first == b"-":
                    self.say(self._last)
        return buffer

    def _answer(self, packet: bytes) -> None:
        self.packets.append(packet)
        self.say(b"+")
        answer = self.script(packet)
        if answer is None:
            right = self._right(packet)
            if right is None:
                return
            answer = wire(right)
        self._last = wire(self._right(packet) or b"") if packet[:1] == b"m" else answer
        self.say(answer)

    def _right(self, packet: bytes) -> bytes | None:
        kind = packet[:1]
        if packet.startswith(b"qSupported"):
            return self.features
        if packet == b"?":
            return b"T05thread:01;"
        if packet in (b"c", b"D"):
            self.running = True
            return b"OK" if packet == b"D" else None
        if packet == b"s":
            self.steps += 1
            return b"T05thread:01;"
        if packet[:2] in (b"Z2", b"z2"):
            self.watched = packet[3:] if kind == b"Z" else b""
            return b"OK"
        if kind == b"m":
            address, length = (int(number, 16) for number in packet[1:].split(b","))
            at = address - BASE
            return self.image[at : at + length].hex().encode() if at >= 0 else b"E14"
        return b""
