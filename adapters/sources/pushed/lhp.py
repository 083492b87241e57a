"""LHP/1, the push protocol: its messages, and how each stands on the wire.

A producer (a script inside an emulator) connects over TCP and sends frames; the bridge answers.
All integers are unsigned and big endian.  Every message is a header and a payload:

    4C 48   01        type:u8   length:u32   payload
    magic   version

    producer to bridge
    01 HELLO    base:u32 size:u32 order:u8 0:u8 n:u16 name[n<=64] n:u16 token[n<=64]
    02 FRAME    frame:u32 flags:u8 (bit 0: MORE) 0:u8 n:u16 (1 to 4096)
                n x (address:u32 length:u32) data
    05 BYE
    06 PING     up to 32 bytes

    bridge to producer
    81 WELCOME  maxlen:u32 n:u16 n x (address:u32 length:u32)
    82 WANT     the same
    83 ACK      frame:u32
    86 PONG     what the PING held
    8F ERROR    code:u16 fatal:u8 text, up to 200 bytes

A payload has at most 1 MiB, and all parts of one frame together at most 64 MiB.  ``maxlen`` is the
longest payload that the bridge takes.  How messages are cut out of what comes is ``lhp_stream``'s
part, and on a line that loses bytes ``lhp_line``'s.  Nothing here does I/O.
"""

from __future__ import annotations

import struct
from collections.abc import Sequence
from dataclasses import dataclass
from enum import IntEnum

from bridge.memory.byte_order import ByteOrder

__all__ = [
    "FATAL_CODES",
    "HEADER",
    "MAGIC",
    "MAX_FRAME",
    "MAX_NAME",
    "MAX_PAYLOAD",
    "MAX_PING",
    "MAX_RANGES",
    "MAX_TEXT",
    "MAX_TOKEN",
    "VERSION",
    "Ack",
    "Bye",
    "Code",
    "ErrorMessage",
    "FramePart",
    "Hello",
    "LhpError",
    "Message",
    "Ping",
    "Pong",
    "Type",
    "Want",
    "Welcome",
    "decode",
    "encode",
    "more_follows",
]

MAGIC = b"LH"
VERSION = 1
MAX_PAYLOAD = 1 << 20
MAX_FRAME = 64 << 20
MAX_RANGES = 4096
MAX_NAME = 64
MAX_TOKEN = 64
MAX_PING = 32
MAX_TEXT = 200

HEADER = struct.Struct(">2sBBI")
"""Magic, version, type, and the length of the payload behind it."""
_HELLO = struct.Struct(">IIBB")
_FRAME = struct.Struct(">IBBH")
_WANT = struct.Struct(">IH")
_RANGE = struct.Struct(">II")
_ERROR = struct.Struct(">HB")
_COUNT = struct.Struct(">H")
_U32 = struct.Struct(">I")

_ORDERS = (ByteOrder.BIG, ByteOrder.SWAP16, ByteOrder.SWAP32, ByteOrder.HALFSWAP)
_MORE = 1


class Type(IntEnum):
    """The type byte of a message."""

    HELLO = 0x01
    FRAME = 0x02
    BYE = 0x05
    PING = 0x06
    WELCOME = 0x81
    WANT = 0x82
    ACK = 0x83
    PONG = 0x86
    ERROR = 0x8F


class Code(IntEnum):
    """Why a message was refused."""

    MAGIC = 1
    VERSION = 2
    TOO_LONG = 3
    TYPE = 4
    PAYLOAD = 5
    OUTSIDE_RAM = 6
    FRAME_NUMBER = 7
    RANGES = 8
    BUSY = 9
    HELLO_TIMEOUT = 10
    IDLE = 11
    TOKEN = 12


FATAL_CODES = frozenset(
    {
        Code.MAGIC,
        Code.VERSION,
        Code.TOO_LONG,
        Code.BUSY,
        Code.HELLO_TIMEOUT,
        Code.IDLE,
        Code.TOKEN,
    }
)
"""Codes after which the connection is closed, whenever they come."""


class LhpError(Exception):
    """Bytes that are not what the protocol says.  ``code`` is the ERROR to answer with."""

    def __init__(self, code: Code, text: str) -> None:
        super().__init__(text)
        self.code = code
        self.text = text


@dataclass(frozen=True, slots=True)
class Hello:
    """What a producer says first: where its RAM is, and in which order it holds the bytes."""

    base: int
    size: int
    order: ByteOrder = ByteOrder.BIG
    name: str = ""
    token: bytes = b""


@dataclass(frozen=True, slots=True)
class FramePart:
    """A frame, or with ``more`` a part of one: bytes in the producer's order at addresses."""

    frame: int
    more: bool
    changes: tuple[tuple[int, bytes], ...]


@dataclass(frozen=True, slots=True)
class Bye:
    """The producer leaves."""


@dataclass(frozen=True, slots=True)
class Ping:
    """Asks for a PONG with the same bytes."""

    data: bytes = b""


@dataclass(frozen=True, slots=True)
class Welcome:
    """HELLO is accepted; ``ranges`` are the (address, length) pairs that the watches touch."""

    max_length: int
    ranges: tuple[tuple[int, int], ...] = ()


@dataclass(frozen=True, slots=True)
class Want:
    """The (address, length) pairs that the watches touch have changed."""

    max_length: int
    ranges: tuple[tuple[int, int], ...] = ()


@dataclass(frozen=True, slots=True)
class Ack:
    """The frame is whole and was taken."""

    frame: int


@dataclass(frozen=True, slots=True)
class Pong:
    """Answers a PING."""

    data: bytes = b""


@dataclass(frozen=True, slots=True)
class ErrorMessage:
    """A message was refused; when fatal the connection ends."""

    code: int
    fatal: bool
    text: str = ""


Message = Hello | FramePart | Bye | Ping | Welcome | Want | Ack | Pong | ErrorMessage


def encode(message: Message) -> bytes:
    """The message on the wire.  Raises ValueError for one that the protocol cannot say."""
    kind, payload = _payload(message)
    if len(payload) > MAX_PAYLOAD:
        raise ValueError(f"expected a payload of at most {MAX_PAYLOAD} bytes, found {len(payload)}")
    return HEADER.pack(MAGIC, VERSION, kind, len(payload)) + payload


def _payload(message: Message) -> tuple[Type, bytes]:
    match message:
        case Hello():
            name = message.name.encode("utf-8")
            if len(name) > MAX_NAME or len(message.token) > MAX_TOKEN:
                raise ValueError("a name and a token have at most 64 bytes each")
            return Type.HELLO, b"".join(
                (
                    _HELLO.pack(message.base, message.size, _ORDERS.index(message.order), 0),
                    _COUNT.pack(len(name)),
                    name,
                    _COUNT.pack(len(message.token)),
                    message.token,
                )
            )
        case FramePart():
            changes = message.changes
            if not 1 <= len(changes) <= MAX_RANGES:
                raise ValueError(f"expected 1 to {MAX_RANGES} ranges, found {len(changes)}")
            return Type.FRAME, b"".join(
                (
                    _FRAME.pack(message.frame, _MORE if message.more else 0, 0, len(changes)),
                    *(_RANGE.pack(address, len(data)) for address, data in changes),
                    *(data for _, data in changes),
                )
            )
        case Bye():
            return Type.BYE, b""
        case Ping():
            return Type.PING, _echo(message.data)
        case Pong():
            return Type.PONG, _echo(message.data)
        case Welcome():
            return Type.WELCOME, _ranges(message.max_length, message.ranges)
        case Want():
            return Type.WANT, _ranges(message.max_length, message.ranges)
        case Ack():
            return Type.ACK, _U32.pack(message.frame)
        case ErrorMessage():
            text = message.text.encode("utf-8")[:MAX_TEXT].decode("utf-8", "ignore")
            return Type.ERROR, _ERROR.pack(message.code, message.fatal) + text.encode("utf-8")


def _echo(data: bytes) -> bytes:
    if len(data) > MAX_PING:
        raise ValueError(f"expected at most {MAX_PING} bytes in a ping, found {len(data)}")
    return data


def _ranges(max_length: int, ranges: Sequence[tuple[int, int]]) -> bytes:
    return _WANT.pack(max_length, len(ranges)) + b"".join(_RANGE.pack(*pair) for pair in ranges)


def decode(kind: int, payload: bytes) -> Message:
    """The message of a type and a payload.  Raises LhpError."""
    match kind:
        case Type.HELLO:
            return _hello(payload)
        case Type.FRAME:
            return _frame(payload)
        case Type.BYE:
            _exactly(payload, 0, "BYE")
            return Bye()
        case Type.PING | Type.PONG:
            if len(payload) > MAX_PING:
                raise LhpError(
                    Code.PAYLOAD, f"expected at most {MAX_PING} bytes, found {len(payload)}"
                )
            return Ping(payload) if kind == Type.PING else Pong(payload)
        case Type.WELCOME | Type.WANT:
            return _want(kind, payload)
        case Type.ACK:
            _exactly(payload, _U32.size, "ACK")
            return Ack(_U32.unpack(payload)[0])
        case Type.ERROR:
            return _error(payload)
    raise LhpError(Code.TYPE, f"expected a known message type, found 0x{kind:02X}")


def more_follows(payload: bytes) -> tuple[int, bool] | None:
    """Frame number and MORE of a FRAME's payload, however damaged the rest; None if too short."""
    if len(payload) < 5:
        return None
    return _U32.unpack_from(payload)[0], bool(payload[4] & _MORE)


def _hello(payload: bytes) -> Hello:
    _at_least(payload, _HELLO.size, "HELLO")
    base, size, order, reserved = _HELLO.unpack_from(payload)
    name, at = _counted(payload, _HELLO.size, MAX_NAME, "name")
    token, at = _counted(payload, at, MAX_TOKEN, "token")
    _exactly(payload, at, "HELLO")
    if order >= len(_ORDERS):
        raise LhpError(Code.PAYLOAD, f"expected a byte order of 0 to 3, found {order}")
    if reserved:
        raise LhpError(Code.PAYLOAD, f"expected 0 in the reserved byte, found {reserved}")
    if not size or base + size > 1 << 32:
        raise LhpError(
            Code.PAYLOAD, f"expected RAM inside 32 bits, found 0x{size:X} bytes at 0x{base:08X}"
        )
    try:
        text = name.decode("utf-8")
    except UnicodeDecodeError as fault:
        raise LhpError(Code.PAYLOAD, "expected a name in UTF-8") from fault
    return Hello(base, size, _ORDERS[order], text, token)


def _frame(payload: bytes) -> FramePart:
    _at_least(payload, _FRAME.size, "FRAME")
    frame, flags, reserved, count = _FRAME.unpack_from(payload)
    if flags & ~_MORE or reserved:
        raise LhpError(
            Code.PAYLOAD, f"expected flags 0 or 1 and a 0, found 0x{flags:02X} and {reserved}"
        )
    if not 1 <= count <= MAX_RANGES:
        raise LhpError(Code.RANGES, f"expected 1 to {MAX_RANGES} ranges, found {count}")
    at = _FRAME.size + count * _RANGE.size
    _at_least(payload, at, "FRAME")
    changes = []
    for address, length in _RANGE.iter_unpack(memoryview(payload)[_FRAME.size : at]):
        if not length:
            raise LhpError(Code.RANGES, f"expected a length of 1 or more at 0x{address:08X}")
        changes.append((address, payload[at : at + length]))
        at += length
    _exactly(payload, at, "FRAME")
    return FramePart(frame, bool(flags & _MORE), tuple(changes))


def _want(kind: int, payload: bytes) -> Welcome | Want:
    _at_least(payload, _WANT.size, "WANT")
    max_length, count = _WANT.unpack_from(payload)
    _exactly(payload, _WANT.size + count * _RANGE.size, "WANT")
    ranges = tuple(
        (address, length)
        for address, length in _RANGE.iter_unpack(memoryview(payload)[_WANT.size :])
    )
    return Welcome(max_length, ranges) if kind == Type.WELCOME else Want(max_length, ranges)


def _error(payload: bytes) -> ErrorMessage:
    _at_least(payload, _ERROR.size, "ERROR")
    code, fatal = _ERROR.unpack_from(payload)
    text = payload[_ERROR.size :]
    if len(text) > MAX_TEXT:
        raise LhpError(
            Code.PAYLOAD, f"expected a text of at most {MAX_TEXT} bytes, found {len(text)}"
        )
    return ErrorMessage(code, bool(fatal), text.decode("utf-8", "replace"))


def _counted(payload: bytes, at: int, most: int, what: str) -> tuple[bytes, int]:
    _at_least(payload, at + _COUNT.size, "HELLO")
    (length,) = _COUNT.unpack_from(payload, at)
    at += _COUNT.size
    if length > most:
        raise LhpError(Code.PAYLOAD, f"expected a {what} of at most {most} bytes, found {length}")
    _at_least(payload, at + length, "HELLO")
    return payload[at : at + length], at + length


def _at_least(payload: bytes, size: int, what: str) -> None:
    if len(payload) < size:
        raise LhpError(Code.PAYLOAD, f"{what}: expected {size} bytes or more, found {len(payload)}")


def _exactly(payload: bytes, size: int, what: str) -> None:
    if len(payload) != size:
        raise LhpError(Code.PAYLOAD, f"{what}: expected {size} bytes, found {len(payload)}")
