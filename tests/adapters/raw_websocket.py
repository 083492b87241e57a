"""A WebSocket client on a bare socket, which reads only when it is told to (RFC 6455)."""

from __future__ import annotations

import asyncio
import os
import socket
from urllib.parse import urlsplit


class RawWebSocket:
    """Connected to a path of a server on loopback, with a small receive buffer."""

    def __init__(self, connection: socket.socket) -> None:
        self._connection = connection
        self._bytes = b""

    @classmethod
    async def connect(cls, url: str, path: str) -> RawWebSocket:
        place = urlsplit(url)
        connection = socket.socket()
        connection.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        connection.setblocking(False)
        loop = asyncio.get_running_loop()
        await loop.sock_connect(connection, (place.hostname, place.port))
        request = (
            f"GET {path} HTTP/1.1\r\nHost: {place.netloc}\r\nUpgrade: websocket\r\n"
            "Connection: Upgrade\r\nSec-WebSocket-Key: AAAAAAAAAAAAAAAAAAAAAA==\r\n"
            "Sec-WebSocket-Version: 13\r\n\r\n"
        )
        await loop.sock_sendall(connection, request.encode())
        client = cls(connection)
        while b"\r\n\r\n" not in client._bytes:
            await client._more()
        head, client._bytes = client._bytes.split(b"\r\n\r\n", 1)
        assert head.startswith(b"HTTP/1.1 101 ")
        return client

    async def receive(self) -> tuple[int, bytes]:
        """The opcode and payload of the next frame."""
        await self._need(2)
        opcode, length, start = self._bytes[0] & 15, self._bytes[1] & 127, 2
        if length >= 126:
            start += 2 if length == 126 else 8
            await self._need(start)
            length = int.from_bytes(self._bytes[2:start], "big")
        await self._need(start + length)
        payload = self._bytes[start : start + length]
        self._bytes = self._bytes[start + length :]
        return opcode, payload

    async def send_text(self, text: str) -> None:
        """A masked text frame of up to 125 bytes."""
        mask, data = os.urandom(4), text.encode()
        masked = bytes(byte ^ mask[i % 4] for i, byte in enumerate(data))
        frame = bytes([0x81, 0x80 | len(data)]) + mask + masked
        await asyncio.get_running_loop().sock_sendall(self._connection, frame)

    async def send_raw(self, data: bytes) -> None:
        """Bytes that need be no frame."""
        await asyncio.get_running_loop().sock_sendall(self._connection, data)

    def close(self) -> None:
        self._connection.close()

    async def _need(self, count: int) -> None:
        while len(self._bytes) < count:
            await self._more()

    async def _more(self) -> None:
        got = await asyncio.get_running_loop().sock_recv(self._connection, 65536)
        if not got:
            raise ConnectionError("the server closed")
        self._bytes += got
