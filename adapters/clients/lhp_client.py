"""Sends an emulator's RAM to lowhalf (LHP/1).  One file, the standard library only: copy it.

    import lhp_client

    client = lhp_client.connect("127.0.0.1", 7364, base=0x8000_0000, size=0x40_0000, name="my pier")
    while emulator.run_frame():
        client.frame(emulator.frame_number, emulator.read)   # read(address, length) -> bytes
    client.close()

``order`` says how ``read`` gives the bytes: 0 as the guest sees them, 1 with the bytes of each
16-bit word swapped, 2 with those of each 32-bit word reversed, 3 with the halves of each 32-bit
word swapped.  ``frame`` waits for no answer, and sends only what lowhalf wants: the lines that the
watches touch.  A lost connection, or a refusal, raises OSError; connecting again is yours to do.
"""

from __future__ import annotations

import select
import socket
import struct
from collections.abc import Callable, Iterator

__all__ = [
    "ORDER_BIG",
    "ORDER_HALFSWAP",
    "ORDER_SWAP16",
    "ORDER_SWAP32",
    "Client",
    "Read",
    "Refused",
    "connect",
]

ORDER_BIG, ORDER_SWAP16, ORDER_SWAP32, ORDER_HALFSWAP = range(4)

_HELLO, _FRAME, _BYE = 0x01, 0x02, 0x05
_WELCOME, _WANT, _ERROR = 0x81, 0x82, 0x8F
_HEADER = struct.Struct(">2sBBI")
_FRAME_HEAD = struct.Struct(">IBBH")
_RANGE = struct.Struct(">II")
_MAX_RANGES = 4096

Read = Callable[[int, int], bytes]


class Refused(OSError):
    """lowhalf refused the session.  ``code`` is LHP/1's."""

    def __init__(self, code: int, text: str) -> None:
        super().__init__(f"{text} (code {code})")
        self.code = code


def connect(
    host: str,
    port: int,
    *,
    base: int,
    size: int,
    order: int = ORDER_BIG,
    name: str = "",
    token: bytes = b"",
    timeout: float = 5.0,
) -> Client:
    """Connect and say HELLO: *size* bytes of RAM at guest address *base*.

    *timeout* is the longest that connecting and any one send may take, in seconds.
    Raises OSError.
    """
    connection = socket.create_connection((host, port), timeout=timeout)
    try:
        connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        return Client(connection, base, size, order, name, token)
    except BaseException:
        connection.close()
        raise


class Client:
    """One session over a connected socket.

    ``welcome`` is true once lowhalf has accepted it, ``wanted`` is the (address, length) pairs that
    lowhalf wants, and ``refusal`` is the text of the newest refusal of a single frame.
    """

    def __init__(
        self,
        connection: socket.socket,
        base: int,
        size: int,
        order: int = ORDER_BIG,
        name: str = "",
        token: bytes = b"",
    ) -> None:
        self.base = base
        self.size = size
        self.welcome = False
        self.wanted: list[tuple[int, int]] = []
        self.refusal = ""
        self._socket = connection
        self._received = bytearray()
        self._longest = 1 << 20
        said = name.encode()[:64].decode("utf-8", "ignore").encode()
        payload = struct.pack(">IIBB", base, size, order, 0)
        for text in (said, token):
            payload += struct.pack(">H", len(text)) + text
        self._send(_HELLO, payload)

    def frame(self, number: int, read: Read) -> bool:
        """Send a frame's wanted bytes, which *read* gives; false where lowhalf is not ready yet.

        Raises OSError where the connection is lost or refused.
        """
        self.poll()
        if not self.welcome:
            return False
        # a frame cannot be empty: until something is wanted, one byte says that it is there
        ranges = list(self._pieces()) or [(self.base, 1)]
        parts: list[list[tuple[int, int]]] = [[]]
        room = self._longest - _FRAME_HEAD.size
        for address, length in ranges:
            if parts[-1] and (room < _RANGE.size + length or len(parts[-1]) == _MAX_RANGES):
                parts.append([])
                room = self._longest - _FRAME_HEAD.size
            parts[-1].append((address, length))
            room -= _RANGE.size + length
        for part in parts:
            more = part is not parts[-1]
            payload = bytearray(_FRAME_HEAD.pack(number & 0xFFFF_FFFF, more, 0, len(part)))
            for address, length in part:
                payload += _RANGE.pack(address, length)
            for address, length in part:
                data = read(address, length)
                if len(data) != length:
                    raise ValueError(f"0x{address:08X}: expected {length} bytes, found {len(data)}")
                payload += data
            self._send(_FRAME, payload)
        return True

    def poll(self) -> None:
        """Take in what lowhalf has said, without waiting.  ``frame`` does this by itself."""
        while select.select([self._socket], [], [], 0)[0]:
            data = self._socket.recv(1 << 16)
            if not data:
                raise ConnectionResetError("lowhalf closed the connection")
            self._received += data
            self._take()

    def close(self) -> None:
        """Say BYE and close, at most a second later."""
        try:
            self._send(_BYE, b"")
            # answers that were left unread would have the system take back what was sent
            self._socket.shutdown(socket.SHUT_WR)
            self._socket.settimeout(1)
            while self._socket.recv(1 << 16):
                pass
        except OSError:
            pass
        self._socket.close()

    def _pieces(self) -> Iterator[tuple[int, int]]:
        """What is wanted, in pieces that fit a message."""
        most = self._longest - _FRAME_HEAD.size - _RANGE.size
        for address, length in self.wanted:
            for at in range(0, length, most):
                yield address + at, min(most, length - at)

    def _take(self) -> None:
        received = self._received
        while len(received) >= _HEADER.size:
            magic, version, kind, length = _HEADER.unpack_from(received)
            if magic != b"LH" or version != 1 or length > 1 << 20:
                raise ConnectionError("what answers is not lowhalf")
            end = _HEADER.size + length
            if len(received) < end:
                return
            payload = bytes(received[_HEADER.size : end])
            del received[:end]
            if kind in (_WELCOME, _WANT):
                self._longest, count = struct.unpack_from(">IH", payload)
                self.wanted = list(_RANGE.iter_unpack(payload[6 : 6 + 8 * count]))
                self.welcome = True
            elif kind == _ERROR:
                code, fatal = struct.unpack_from(">HB", payload)
                self.refusal = payload[3:].decode("utf-8", "replace")
                if fatal:
                    raise Refused(code, self.refusal)

    def _send(self, kind: int, payload: bytes | bytearray) -> None:
        self._socket.sendall(_HEADER.pack(b"LH", 1, kind, len(payload)) + payload)
