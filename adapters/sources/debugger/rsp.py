"""GDB remote serial protocol, the client's side, without input or output: bytes in, events out.

Source: the GDB manual, appendix "GDB Remote Serial Protocol".  A packet is ``$data#cc``, where cc
is the sum of the bytes of data modulo 256.  Two codings lie over the data, and the outer one has to
be undone first, on the raw bytes: ``x*n`` repeats x, n - 29 times more; then ``}x`` stands for
x ^ 0x20.

What a stub sends falls into three kinds, and only the first is in step with what was asked:

* answers, one a request, in their order;
* stop replies (T, S, W, X), which also come by themselves when the guest stops for a reason of its
  own, so they never count as an answer;
* console output and notifications, which are dropped.

Some stubs stop a running guest at *any* byte that they receive, an acknowledgement too.  So nothing
is sent by itself: acknowledgements gather in ``data_to_send`` in front of the next packet, which is
``c`` at the latest, and none is made for the answer to ``D``, after which the guest runs.
"""

from __future__ import annotations

import re
from collections import deque
from dataclasses import dataclass, field
from typing import Literal

__all__ = [
    "DEFAULT_PACKET_SIZE",
    "INTERRUPT",
    "MAX_PACKET",
    "Answer",
    "Client",
    "Damaged",
    "Event",
    "Features",
    "RspError",
    "Stop",
    "checksum",
    "expand",
    "features",
    "memory_of",
    "packet",
    "unescape",
]

INTERRUPT = b"\x03"
MAX_PACKET = 1 << 17
"""Most bytes of a packet that is taken in, as it is on the wire and once it is unpacked."""
DEFAULT_PACKET_SIZE = 400
"""Bytes that a stub takes and gives where it does not say, as the debugger's own default."""

_STOP = re.compile(rb"[TSWX][0-9A-Fa-f]")
_ESCAPED = re.compile(rb"[#$}*]")
_REPEAT = ord("*")
_MIN_COUNT, _MAX_COUNT = 0x20, 0x7E


class RspError(Exception):
    """The stub's bytes cannot be followed any further: the connection has to be made anew."""


@dataclass(frozen=True, slots=True)
class Answer:
    """The answer to the request that has this ticket; ``data`` is unpacked."""

    ticket: int
    data: bytes


@dataclass(frozen=True, slots=True)
class Damaged:
    """The answer to this request came with a wrong checksum: ask again, once."""

    ticket: int


@dataclass(frozen=True, slots=True)
class Stop:
    """The guest has stopped: ``data`` is the stop reply, for example ``T05watch:80100014;``.

    ``early`` is whether it came before the last command was acknowledged: then the command's first
    byte has halted a guest that ran, and the rest of it was lost.
    """

    data: bytes
    early: bool = field(default=False, compare=False)

    @property
    def ended(self) -> bool:
        """Whether the program is gone, and not only stopped."""
        return self.data[:1] in (b"W", b"X")

    @property
    def signal(self) -> int:
        """The signal's number as the protocol counts them: 2 interrupt, 5 trap; -1 if unclear."""
        try:
            return int(self.data[1:3], 16)
        except ValueError:
            return -1

    @property
    def at_watchpoint(self) -> bool:
        """Whether a write watchpoint stopped it."""
        return self.data[:1] == b"T" and b"watch:" in self.data


Event = Answer | Damaged | Stop


def checksum(data: bytes) -> bytes:
    """Two hexadecimal digits: the sum of the raw bytes modulo 256."""
    return b"%02x" % (sum(data) & 0xFF)


def packet(payload: bytes) -> bytes:
    """``$payload#cc``, escaped where a byte would be taken for framing."""
    raw = _ESCAPED.sub(lambda found: bytes((0x7D, found[0][0] ^ 0x20)), payload)
    return b"$" + raw + b"#" + checksum(raw)


def expand(raw: bytes, most: int) -> bytes:
    """Undo run-length coding.  Raises RspError for a run of nothing, a wrong count, or a result of
    more than *most* bytes."""
    if b"*" not in raw:
        return raw
    out = bytearray()
    at = 0
    while at < len(raw):
        byte = raw[at]
        if byte != _REPEAT:
            out.append(byte)
            at += 1
            continue
        if not out or at + 1 >= len(raw):
            raise RspError("expected a byte before and a count after *, found neither or one")
        count = raw[at + 1]
        if not _MIN_COUNT <= count <= _MAX_COUNT:
            raise RspError(f"expected a count of 0x20 to 0x7E after *, found 0x{count:02X}")
        out += out[-1:] * (count - 29)
        if len(out) > most:
            raise RspError(f"expected a packet of at most {most} bytes, found more once unpacked")
        at += 2
    return bytes(out)


def unescape(data: bytes) -> bytes:
    """Undo ``}x``.  Raises RspError where the last byte is a lone ``}``."""
    if b"}" not in data:
        return data
    parts = bytearray()
    at = 0
    while (found := data.find(b"}", at)) >= 0:
        if found + 1 >= len(data):
            raise RspError("expected a byte after }, found the packet's end")
        parts += data[at:found]
        parts.append(data[found + 1] ^ 0x20)
        at = found + 2
    return bytes(parts + data[at:])


class Client:
    """One connection's framing, queue of requests and queue of stops.

    ``max_packet`` is the most bytes of a packet.  ``acknowledging`` is true until both sides have
    agreed on no-ack mode; ``detached`` is true once the stub has let the guest go.  Methods raise
    RspError only where they say so.
    """

    def __init__(self, *, max_packet: int = MAX_PACKET) -> None:
        self.max_packet = max_packet
        self.acknowledging = True
        self._in = bytearray()
        self._out = bytearray()
        self._waiting: deque[int] = deque()
        self._next_ticket = 0
        self._detaching = False
        self.detached = False
        self._retried = False
        self._last_sent = b""
        self._unheard = False
        self._resent = False

    @property
    def outstanding(self) -> int:
        """Requests that have no answer yet."""
        return len(self._waiting)

    @property
    def has_to_send(self) -> bool:
        """Whether ``data_to_send`` has anything."""
        return bool(self._out)

    # what is sent

    def request(self, payload: bytes) -> int:
        """Ask something that has an answer; gives the ticket that the answer will carry."""
        return self.request_packet(packet(payload))

    def request_packet(self, whole: bytes) -> int:
        """As ``request``, with what ``packet`` has made of the payload before."""
        ticket = self._next_ticket
        self._next_ticket += 1
        self._waiting.append(ticket)
        self._put(whole)
        return ticket

    def command(self, payload: bytes) -> None:
        """Send what is answered by a stop, at once or much later: ``?``, ``c``, ``s``."""
        self._put(packet(payload))
        self._unheard = self.acknowledging

    def interrupt(self) -> None:
        """Ask a running guest to stop; a stop will come.

        Acknowledgements of answers that came late, after it was let go, wait until it has stopped.
        """
        if not self._out.lstrip(b"+-"):
            self._out[:0] = INTERRUPT
        else:
            self._out += INTERRUPT

    def forget(self) -> None:
        """Take no answer to what was asked so far."""
        self._waiting.clear()

    def nudge(self) -> None:
        """An acknowledgement of nothing: a halted stub ignores it."""
        self._out += b"+"

    def detach(self) -> None:
        """Let the guest go for good; ``detached`` tells when the stub has agreed.

        Nothing is acknowledged from here on, and what was asked before is forgotten: a stub that
        owes an answer may never give it.
        """
        self._waiting.clear()
        self._detaching = True
        self._put(packet(b"D"))
        self.acknowledging = False

    def no_more_acks(self) -> None:
        """Both sides have agreed on no-ack mode.

        The acknowledgement of the agreement itself is still due and stays in ``data_to_send``.
        """
        self.acknowledging = False

    def data_to_send(self) -> bytes:
        """What is to be sent now; forgotten once it is handed out."""
        data = bytes(self._out)
        self._out.clear()
        return data

    def _put(self, whole: bytes) -> None:
        self._last_sent = whole
        self._resent = False
        self._out += self._last_sent

    # what comes in

    def receive(self, data: bytes) -> list[Event]:
        """Add bytes; gives what they complete.

        Raises RspError where a packet is too long, wrongly coded, or damaged a second time.
        """
        self._in += data
        events: list[Event] = []
        while (event := self._next()) is not False:
            if event is not None:
                events.append(event)
        return events

    def _next(self) -> Event | Literal[False] | None:
        """The next event, None for something that is none, False where more bytes are needed."""
        buffer = self._in
        if not buffer:
            return False
        first = buffer[0]
        if first not in b"$%":
            del buffer[0]
            if first == ord("-"):
                self._send_again()
            elif first == ord("+"):
                self._unheard = False
            return None
        end = buffer.find(b"#", 1)
        begun = buffer.rfind(b"$", 1, end if end >= 0 else len(buffer))
        if begun >= 0:
            # a new packet begins inside an old one: the old one was cut off
            del buffer[:begun]
            return None
        if max(end, len(buffer) if end < 0 else 0) > self.max_packet + 1:
            raise RspError(f"expected a packet of at most {self.max_packet} bytes, found more")
        if end < 0 or end + 3 > len(buffer):
            return False
        raw, sum_found = bytes(buffer[1:end]), bytes(buffer[end + 1 : end + 3])
        del buffer[: end + 3]
        if first == ord("%"):
            return None
        if sum_found.lower() != checksum(raw):
            return self._damaged(raw, sum_found)
        return self._whole(raw)

    def _whole(self, raw: bytes) -> Event | None:
        self._retried = False
        if self.acknowledging:
            self._out += b"+"
        data = unescape(expand(raw, self.max_packet))
        if data[:1] == b"O" and data != b"OK":
            return None
        if _STOP.match(data):
            return Stop(data, early=self._unheard)
        if self._detaching:
            self.detached = self.detached or data == b"OK"
            return None
        if not self._waiting:
            return None
        return Answer(self._waiting.popleft(), data)

    def _damaged(self, raw: bytes, found: bytes) -> Event | None:
        if not self.acknowledging or self._retried:
            again = " again" if self._retried else ""
            raise RspError(
                f"expected checksum {checksum(raw).decode()}, found "
                f"{found.decode('latin-1')!r}{again}"
            )
        self._retried = True
        if len(self._waiting) > 1:
            # the stub may have sent later answers already, and repeats only its last packet
            self._out += b"+"
            return Damaged(self._waiting.popleft())
        self._out += b"-"
        return None

    def _send_again(self) -> None:
        """The stub found our packet damaged."""
        if not self.acknowledging or not self._last_sent:
            return
        if self._resent or len(self._waiting) > 1:
            raise RspError("the stub found packets damaged that were sent whole")
        self._resent = True
        self._out += self._last_sent


@dataclass(frozen=True, slots=True)
class Features:
    """What a stub says that it can do."""

    packet_size: int
    """Bytes of data in a packet, in either direction."""
    no_ack: bool

    @property
    def most_read(self) -> int:
        """Bytes of memory that fit the answer to one ``m``."""
        return self.packet_size // 2


def features(answer: bytes, *, most: int = MAX_PACKET) -> Features:
    """The answer to ``qSupported``; what is missing or unreadable there has its default."""
    size = DEFAULT_PACKET_SIZE
    items = answer.split(b";")
    for item in items:
        name, _, value = item.partition(b"=")
        if name == b"PacketSize" and re.fullmatch(rb"[0-9A-Fa-f]{1,16}", value):
            size = int(value, 16)
    return Features(min(max(size, 32), most), b"QStartNoAckMode+" in items)


def memory_of(answer: bytes, length: int) -> bytes | None:
    """The bytes that an answer to ``m`` holds; None unless it is exactly *length* bytes."""
    if len(answer) != 2 * length or not re.fullmatch(rb"[0-9A-Fa-f]*", answer):
        return None
    return bytes.fromhex(answer.decode("ascii"))
