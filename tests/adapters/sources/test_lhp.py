"""LHP/1 messages: bytes on the wire as the protocol's table gives them."""

from __future__ import annotations

import random

import pytest

from adapters.sources.pushed import lhp
from adapters.sources.pushed.lhp import (
    Ack,
    Bye,
    Code,
    ErrorMessage,
    FramePart,
    Hello,
    LhpError,
    Message,
    Ping,
    Pong,
    Want,
    Welcome,
    decode,
    encode,
)
from adapters.sources.pushed.lhp_stream import StreamReceiver
from bridge.memory.byte_order import ByteOrder

WORKED: list[tuple[Message, str]] = [
    (
        Hello(0x8000_0000, 0x0080_0000, ByteOrder.SWAP32, "gull", b"key"),
        "4C48 01 01 00000015 80000000 00800000 02 00 0004 67756C6C 0003 6B6579",
    ),
    (
        FramePart(7, False, ((0x8010_0000, b"ab"), (0x8010_0100, b"c"))),
        "4C48 01 02 0000001B 00000007 00 00 0002 80100000 00000002 80100100 00000001 616263",
    ),
    (
        FramePart(0xFFFF_FFFF, True, ((0, b"z"),)),
        "4C48 01 02 00000011 FFFFFFFF 01 00 0001 00000000 00000001 7A",
    ),
    (Bye(), "4C48 01 05 00000000"),
    (Ping(b"lamp"), "4C48 01 06 00000004 6C616D70"),
    (Pong(b"lamp"), "4C48 01 86 00000004 6C616D70"),
    (Welcome(0x10_0000), "4C48 01 81 00000006 00100000 0000"),
    (
        Want(0x10_0000, ((0x8010_0000, 0x200),)),
        "4C48 01 82 0000000E 00100000 0001 80100000 00000200",
    ),
    (Ack(7), "4C48 01 83 00000004 00000007"),
    (ErrorMessage(9, True, "busy"), "4C48 01 8F 00000007 0009 01 62757379"),
]


def take(data: bytes) -> list[Message]:
    return [decode(kind, payload) for kind, payload in StreamReceiver().receive(data)]


@pytest.mark.parametrize(("message", "wire"), WORKED)
def test_worked_bytes(message: Message, wire: str) -> None:
    data = bytes.fromhex(wire)
    assert encode(message) == data
    assert take(data) == [message]


def test_whole_byte_by_byte_and_with_trailing_bytes() -> None:
    stream = b"".join(encode(message) for message, _ in WORKED)
    messages = [message for message, _ in WORKED]
    assert take(stream) == messages
    receiver = StreamReceiver()
    found = []
    for value in stream:
        for kind, payload in receiver.receive(bytes([value])):
            found.append(decode(kind, payload))
    assert found == messages
    assert receiver.pending == 0
    receiver = StreamReceiver()
    assert len(list(receiver.receive(stream + b"LH\x01"))) == len(messages)
    assert receiver.pending == 3


@pytest.mark.parametrize(
    ("head", "code", "text"),
    [
        (b"P", Code.MAGIC, "expected 4C 48, found 50"),
        (b"POST / HTTP/1.1\r\n", Code.MAGIC, "expected 4C 48, found 50 4F"),
        (b"LX", Code.MAGIC, "expected 4C 48, found 4C 58"),
        (b"LH\x02", Code.VERSION, "expected version 1, found 2"),
        (
            b"LH\x01\x02\x00\x10\x00\x01",
            Code.TOO_LONG,
            "expected a payload of at most 1048576 bytes, found 1048577",
        ),
    ],
)
def test_a_wrong_header_is_refused_at_once(head: bytes, code: Code, text: str) -> None:
    with pytest.raises(LhpError) as caught:
        list(StreamReceiver().receive(head))
    assert (caught.value.code, caught.value.text) == (code, text)


def test_messages_before_a_wrong_header_are_given_out() -> None:
    messages = StreamReceiver().receive(encode(Bye()) + b"XX")
    assert next(messages) == (lhp.Type.BYE, b"")
    with pytest.raises(LhpError):
        next(messages)


def test_the_size_limit_is_an_argument() -> None:
    with pytest.raises(LhpError) as caught:
        list(StreamReceiver(max_payload=3).receive(encode(Ping(b"lamp"))))
    assert caught.value.code is Code.TOO_LONG
    assert list(StreamReceiver(max_payload=4).receive(encode(Ping(b"lamp")))) == [(6, b"lamp")]


@pytest.mark.parametrize(
    ("kind", "payload", "code", "text"),
    [
        (0x01, b"", Code.PAYLOAD, "HELLO: expected 10 bytes or more, found 0"),
        (
            0x01,
            "80000000 00001000 04 00 0000 0000",
            Code.PAYLOAD,
            "expected a byte order of 0 to 3, found 4",
        ),
        (
            0x01,
            "80000000 00001000 00 01 0000 0000",
            Code.PAYLOAD,
            "expected 0 in the reserved byte, found 1",
        ),
        (
            0x01,
            "80000000 00000000 00 00 0000 0000",
            Code.PAYLOAD,
            "expected RAM inside 32 bits, found 0x0 bytes at 0x80000000",
        ),
        (
            0x01,
            "FFFFF000 00001001 00 00 0000 0000",
            Code.PAYLOAD,
            "expected RAM inside 32 bits, found 0x1001 bytes at 0xFFFFF000",
        ),
        (
            0x01,
            "80000000 00001000 00 00 0041" + "61" * 65 + "0000",
            Code.PAYLOAD,
            "expected a name of at most 64 bytes, found 65",
        ),
        (
            0x01,
            "80000000 00001000 00 00 0000 0041" + "61" * 65,
            Code.PAYLOAD,
            "expected a token of at most 64 bytes, found 65",
        ),
        (0x01, "80000000 00001000 00 00 0001 FF 0000", Code.PAYLOAD, "expected a name in UTF-8"),
        (
            0x01,
            "80000000 00001000 00 00 0000 0000 00",
            Code.PAYLOAD,
            "HELLO: expected 14 bytes, found 15",
        ),
        (0x02, "00000001 00 00", Code.PAYLOAD, "FRAME: expected 8 bytes or more, found 6"),
        (
            0x02,
            "00000001 02 00 0001 00000000 00000001 7A",
            Code.PAYLOAD,
            "expected flags 0 or 1 and a 0, found 0x02 and 0",
        ),
        (0x02, "00000001 00 00 0000", Code.RANGES, "expected 1 to 4096 ranges, found 0"),
        (0x02, "00000001 00 00 1001", Code.RANGES, "expected 1 to 4096 ranges, found 4097"),
        (
            0x02,
            "00000001 00 00 0001 80000000 00000000",
            Code.RANGES,
            "expected a length of 1 or more at 0x80000000",
        ),
        (
            0x02,
            "00000001 00 00 0001 80000000 00000002 7A",
            Code.PAYLOAD,
            "FRAME: expected 18 bytes, found 17",
        ),
        (0x05, "00", Code.PAYLOAD, "BYE: expected 0 bytes, found 1"),
        (0x06, "61" * 33, Code.PAYLOAD, "expected at most 32 bytes, found 33"),
        (
            0x82,
            "00100000 0002 80000000 00000100",
            Code.PAYLOAD,
            "WANT: expected 22 bytes, found 14",
        ),
        (0x83, "00", Code.PAYLOAD, "ACK: expected 4 bytes, found 1"),
        (
            0x8F,
            "0009 01" + "61" * 201,
            Code.PAYLOAD,
            "expected a text of at most 200 bytes, found 201",
        ),
        (0x07, "", Code.TYPE, "expected a known message type, found 0x07"),
    ],
)
def test_wrong_payloads(kind: int, payload: str | bytes, code: Code, text: str) -> None:
    data = payload if isinstance(payload, bytes) else bytes.fromhex(payload)
    with pytest.raises(LhpError) as caught:
        decode(kind, data)
    assert (caught.value.code, caught.value.text) == (code, text)


def test_a_frame_may_name_4096_ranges_and_fill_a_mebibyte() -> None:
    changes = tuple((n * 256, bytes([n & 0xFF]) * 247) for n in range(4096))
    part = FramePart(1, False, changes)
    assert take(encode(part)) == [part]
    full = FramePart(1, False, ((0, bytes(lhp.MAX_PAYLOAD - 16)),))
    assert take(encode(full)) == [full]
    with pytest.raises(ValueError, match="expected a payload of at most 1048576 bytes"):
        encode(FramePart(1, False, ((0, bytes(lhp.MAX_PAYLOAD - 15)),)))


def test_a_long_error_text_is_cut_between_characters() -> None:
    (message,) = take(encode(ErrorMessage(5, False, "a" + "\N{DEGREE SIGN}" * 150)))
    assert message == ErrorMessage(5, False, "a" + "\N{DEGREE SIGN}" * 99)


def test_only_documented_errors_escape_from_500_mutated_streams() -> None:
    rng = random.Random(300)
    stream = b"".join(encode(message) for message, _ in WORKED)
    by_header: list[Code] = []
    by_payload: list[Code] = []
    for _ in range(500):
        mutated = bytearray(stream)
        for _ in range(rng.randint(1, 5)):
            mutated[rng.randrange(len(mutated))] = rng.randrange(256)
        messages: list[Message] = []
        try:
            for kind, payload in StreamReceiver().receive(bytes(mutated)):
                try:
                    messages.append(decode(kind, payload))
                except LhpError as fault:
                    by_payload.append(fault.code)
        except LhpError as fault:
            by_header.append(fault.code)
        for message in messages:
            assert take(encode(message)) == [message]
    assert set(by_header) == {Code.MAGIC, Code.VERSION, Code.TOO_LONG}
    assert set(by_payload) == {Code.TYPE, Code.PAYLOAD, Code.RANGES}
