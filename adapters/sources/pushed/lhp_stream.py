"""LHP/1 over a stream that loses nothing, as TCP is: bytes in, messages out, without I/O."""

from __future__ import annotations

from collections.abc import Iterator

from adapters.sources.pushed import lhp

__all__ = ["StreamReceiver"]


class StreamReceiver:
    """Cuts a stream of bytes into (type, payload) pairs, however it comes in.

    A header is refused at its first wrong byte, so that a browser or another protocol is noticed
    at once.  After an LhpError the stream is out of step and the receiver takes nothing more.
    """

    def __init__(self, *, max_payload: int = lhp.MAX_PAYLOAD) -> None:
        self.max_payload = max_payload
        self._buffer = bytearray()

    @property
    def pending(self) -> int:
        """Bytes of a message that is not whole yet."""
        return len(self._buffer)

    def receive(self, data: bytes) -> Iterator[tuple[int, bytes]]:
        """Add bytes; gives every message that is whole.

        The iterator raises LhpError with code 1, 2 or 3 where the next header is wrong.
        """
        self._buffer += data
        return self._messages()

    def _messages(self) -> Iterator[tuple[int, bytes]]:
        buffer = self._buffer
        at = 0
        try:
            while at < len(buffer):
                head = bytes(buffer[at : at + lhp.HEADER.size])
                self._check(head)
                if len(head) < lhp.HEADER.size:
                    return
                _, _, kind, length = lhp.HEADER.unpack(head)
                end = at + lhp.HEADER.size + length
                if end > len(buffer):
                    return
                payload = bytes(memoryview(buffer)[at + lhp.HEADER.size : end])
                at = end
                yield kind, payload
        finally:
            del buffer[:at]

    def _check(self, head: bytes) -> None:
        if not lhp.MAGIC.startswith(head[:2]):
            raise lhp.LhpError(lhp.Code.MAGIC, f"expected 4C 48, found {head[:2].hex(' ').upper()}")
        if len(head) > 2 and head[2] != lhp.VERSION:
            raise lhp.LhpError(lhp.Code.VERSION, f"expected version {lhp.VERSION}, found {head[2]}")
        if len(head) == lhp.HEADER.size:
            length = lhp.HEADER.unpack(head)[3]
            if length > self.max_payload:
                raise lhp.LhpError(
                    lhp.Code.TOO_LONG,
                    f"expected a payload of at most {self.max_payload} bytes, found {length}",
                )
