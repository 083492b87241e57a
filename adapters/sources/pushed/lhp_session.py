"""LHP/1 session, the bridge's side: what may come when, and whole frames out of parts.

Bytes in, events out, no I/O.  A frame is given out only when its last part is there, so a
connection that is cut in the middle changes nothing.  A frame with a refused part is dropped whole:
parts of it that are still to come are passed over, since alone they would be torn.
"""

from __future__ import annotations

import hmac
from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass

from adapters.sources.pushed import lhp
from adapters.sources.pushed.lhp_stream import StreamReceiver

__all__ = [
    "MAX_FRAME_RANGES",
    "ByeSaid",
    "Event",
    "FrameDone",
    "HelloSaid",
    "PingSaid",
    "Refused",
    "Session",
]

MAX_FRAME_RANGES = lhp.MAX_FRAME // lhp.MAX_PAYLOAD * lhp.MAX_RANGES
"""Ranges in all parts of one frame: a range costs memory however few bytes it has."""

_MAX_DROPPED = 16


@dataclass(frozen=True, slots=True)
class HelloSaid:
    """A producer introduced itself, with the right token: answer with :meth:`Session.accept`."""

    hello: lhp.Hello


@dataclass(frozen=True, slots=True)
class FrameDone:
    """A whole frame: apply all its changes at once, in order."""

    frame: int
    changes: tuple[tuple[int, bytes], ...]


@dataclass(frozen=True, slots=True)
class PingSaid:
    """Answer with a PONG that holds the same bytes."""

    data: bytes


@dataclass(frozen=True, slots=True)
class ByeSaid:
    """The producer leaves; nothing follows."""


@dataclass(frozen=True, slots=True)
class Refused:
    """Send this ERROR; close the connection where it is fatal."""

    error: lhp.ErrorMessage


Event = HelloSaid | FrameDone | PingSaid | ByeSaid | Refused


class Session:
    """One connection.  ``over`` is true once it is to be closed; what comes then is ignored."""

    def __init__(
        self,
        *,
        token: bytes = b"",
        max_payload: int = lhp.MAX_PAYLOAD,
        max_frame: int = lhp.MAX_FRAME,
    ) -> None:
        """A *token* is demanded where it is not empty; *max_frame* is in bytes of data a frame."""
        self.hello: lhp.Hello | None = None
        self.over = False
        self.max_frame = max_frame
        self._token = token
        self._receiver = StreamReceiver(max_payload=max_payload)
        self._accepted = False
        self._frame: int | None = None
        self._changes: list[tuple[int, bytes]] = []
        self._size = 0
        self._dropped: deque[int] = deque(maxlen=_MAX_DROPPED)

    def receive(self, data: bytes) -> Iterator[Event]:
        """Add bytes from the producer.  Each event is to be dealt with before the next is taken."""
        return self._events(self._receiver.receive(b"" if self.over else data))

    def _events(self, messages: Iterator[tuple[int, bytes]]) -> Iterator[Event]:
        while not self.over:
            try:
                kind, payload = next(messages)
            except StopIteration:
                return
            except lhp.LhpError as fault:
                yield self.refuse(fault.code, fault.text)
                return
            event = self.message(kind, payload)
            if event is not None:
                yield event

    def accept(self) -> None:
        """The HELLO fits: frames may come."""
        self._accepted = True

    def refuse(self, code: lhp.Code, text: str) -> Refused:
        """An ERROR to send; the session is over where that is fatal."""
        fatal = code in lhp.FATAL_CODES or not self._accepted
        self.over = self.over or fatal
        if fatal:
            self._forget()
        return Refused(lhp.ErrorMessage(code, fatal, text))

    def message(self, kind: int, payload: bytes) -> Event | None:
        """One message that was cut out of the stream elsewhere; gives its event, if any."""
        try:
            if not self._accepted and kind != lhp.Type.HELLO:
                raise lhp.LhpError(
                    lhp.Code.TYPE, f"expected HELLO first, found message type 0x{kind:02X}"
                )
            message = lhp.decode(kind, payload)
            match message:
                case lhp.Hello():
                    return self._hello(message)
                case lhp.FramePart():
                    return self._part(message)
                case lhp.Ping():
                    return PingSaid(message.data)
                case lhp.Bye():
                    self.over = True
                    self._forget()
                    return ByeSaid()
            raise lhp.LhpError(lhp.Code.TYPE, f"message type 0x{kind:02X} is the bridge's to send")
        except lhp.LhpError as fault:
            if kind == lhp.Type.FRAME:
                self._drop(payload)
            return self.refuse(fault.code, fault.text)

    def _hello(self, hello: lhp.Hello) -> Event:
        if self.hello is not None:
            raise lhp.LhpError(lhp.Code.TYPE, "HELLO was said already")
        if self._token and not hmac.compare_digest(self._token, hello.token):
            raise lhp.LhpError(lhp.Code.TOKEN, "expected the token of LOWHALF_PUSH_TOKEN")
        self.hello = hello
        return HelloSaid(hello)

    def _part(self, part: lhp.FramePart) -> Event | None:
        if part.frame in self._dropped:
            if not part.more:
                self._dropped.remove(part.frame)
            return None
        if self._frame is not None and part.frame != self._frame:
            raise lhp.LhpError(
                lhp.Code.FRAME_NUMBER,
                f"expected the rest of frame {self._frame}, found frame {part.frame}",
            )
        hello = self.hello
        if hello is None:
            raise lhp.LhpError(lhp.Code.TYPE, "expected HELLO first")
        for address, data in part.changes:
            if address < hello.base or address + len(data) > hello.base + hello.size:
                raise lhp.LhpError(
                    lhp.Code.OUTSIDE_RAM,
                    f"0x{address:08X} to 0x{address + len(data):08X} is outside the RAM of HELLO",
                )
        self._size += sum(len(data) for _, data in part.changes)
        if self._size > self.max_frame:
            raise lhp.LhpError(
                lhp.Code.TOO_LONG,
                f"expected a frame of at most {self.max_frame} bytes, found {self._size}",
            )
        if len(self._changes) + len(part.changes) > MAX_FRAME_RANGES:
            raise lhp.LhpError(
                lhp.Code.RANGES,
                f"expected a frame of at most {MAX_FRAME_RANGES} ranges, found more",
            )
        self._frame = part.frame
        self._changes += part.changes
        if part.more:
            return None
        done = FrameDone(part.frame, tuple(self._changes))
        self._forget()
        return done

    def _drop(self, payload: bytes) -> None:
        """Give up the frame that a refused part belongs to, and what of it is still to come."""
        seen = lhp.more_follows(payload)
        unfinished = {self._frame} if seen is None or seen[0] != self._frame else set()
        if seen is not None:
            if seen[1]:
                unfinished.add(seen[0])
            elif seen[0] in self._dropped:
                self._dropped.remove(seen[0])
        self._forget()
        for frame in unfinished:
            if frame is not None and frame not in self._dropped:
                self._dropped.append(frame)

    def _forget(self) -> None:
        self._frame = None
        self._changes = []
        self._size = 0
