"""LHP/1 messages out of a line on which bytes are lost, changed and added."""

from __future__ import annotations

import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from adapters.sources.pushed import lhp
from adapters.sources.pushed.lhp import Bye, FramePart, Hello, Message, Ping, encode
from adapters.sources.pushed.lhp_line import LineReceiver

BASE = 0x8000_0000
HELLO = Hello(BASE, 0x4000, name="gull")


def frame(number: int, length: int = 64, ranges: int = 2) -> FramePart:
    data = random.Random(number).randbytes(length)
    return FramePart(number, False, tuple((BASE + 0x100 * index, data) for index in range(ranges)))


MESSAGES: list[Message] = [HELLO, frame(1), Ping(b"tide"), frame(2), frame(3, 1, 1), Bye()]
STREAM = b"".join(encode(message) for message in MESSAGES)


def heard(receiver: LineReceiver, *chunks: bytes) -> list[Message]:
    return [lhp.decode(*pair) for chunk in chunks for pair in receiver.receive(chunk)]


def rest(receiver: LineReceiver) -> list[Message]:
    return [lhp.decode(*pair) for pair in receiver.quiet()] + [
        lhp.decode(*pair) for pair in receiver.give_up()
    ]


@pytest.mark.parametrize("size", [1, 2, 7, 8, 63, len(STREAM)])
def test_a_clean_line_in_chunks_of_any_size(size: int) -> None:
    receiver = LineReceiver()
    chunks = [STREAM[at : at + size] for at in range(0, len(STREAM), size)]
    assert heard(receiver, *chunks) + rest(receiver) == MESSAGES
    assert (receiver.skipped, receiver.damaged, receiver.pending) == (0, 0, 0)


def test_a_whole_message_is_given_at_once() -> None:
    receiver = LineReceiver()
    for message in MESSAGES:
        assert heard(receiver, encode(message)) == [message]


GARBAGE = [
    b"\r\nboot: 4 MiB of RAM, LHA loader\r\n",
    b"LH",
    b"LLLLH\x01",
    b"LH\x01\x02\xff\xff\xff\xff",
    b"LH\x01\x81\0\0\0\x06\0\x10\0\0\0\0",
    b"\0" * 500,
    random.Random(3).randbytes(3000),
]


@pytest.mark.parametrize("garbage", GARBAGE)
def test_garbage_before_and_behind_messages_is_passed_over(garbage: bytes) -> None:
    receiver = LineReceiver()
    found = heard(receiver, garbage)
    for message in MESSAGES:
        found += heard(receiver, encode(message))
        found += rest(receiver)
        found += heard(receiver, garbage)
        found += rest(receiver)
    assert found == MESSAGES
    assert receiver.skipped == len(garbage) * (len(MESSAGES) + 1)


@pytest.mark.parametrize("garbage", GARBAGE)
def test_garbage_right_behind_a_frame_may_cost_that_frame_only(garbage: bytes) -> None:
    receiver = LineReceiver()
    stream = encode(HELLO) + encode(frame(1)) + garbage + encode(frame(2)) + encode(frame(3))
    found = heard(receiver, stream) + rest(receiver)
    assert found in ([HELLO, frame(2), frame(3)], [HELLO, frame(1), frame(2), frame(3)])


LINES = [b"tide=3\n", b"boot\r\n", b"held: lantern\n\tx 1.5\n", b"LHA loader\n"]


@pytest.mark.parametrize("size", [1, 7, 50, 10_000])
@pytest.mark.parametrize("line", LINES)
def test_lines_of_text_right_behind_every_frame_cost_none(line: bytes, size: int) -> None:
    messages: list[Message] = [HELLO, *map(frame, range(1, 60))]
    stream = b"".join(encode(message) + line for message in messages)
    receiver = LineReceiver()
    chunks = [stream[at : at + size] for at in range(0, len(stream), size)]
    assert heard(receiver, *chunks) + rest(receiver) == messages
    assert (receiver.skipped, receiver.damaged) == (len(line) * len(messages), 0)


def test_text_without_line_feeds_is_told_of() -> None:
    receiver = LineReceiver()
    stream = b"".join(encode(frame(number)) + b"tide=3;" for number in range(5))
    assert heard(receiver, stream) + rest(receiver) == []
    assert receiver.damaged == 5
    assert receiver.reason == (
        'text stands right behind it ("tide=3;…"): end each line of text with a line feed, or '
        "leave a pause of 20 ms before it"
    )


def losses() -> list[tuple[int, int]]:
    first = len(encode(HELLO))
    end = first + len(encode(frame(1)))
    return [(at, count) for at in range(first, end) for count in (1, 3, 20) if at + count <= end]


def test_bytes_lost_inside_a_frame_cost_that_frame_only() -> None:
    messages: list[Message] = [HELLO, *map(frame, range(1, 5))]
    stream = b"".join(encode(message) for message in messages)
    for at, count in losses():
        for size in (1, 50, len(stream)):
            receiver = LineReceiver()
            cut = stream[:at] + stream[at + count :]
            chunks = [cut[start : start + size] for start in range(0, len(cut), size)]
            found = heard(receiver, *chunks) + rest(receiver)
            assert found == [HELLO, frame(2), frame(3), frame(4)], (at, count, size)
            assert receiver.pending == 0


def test_bytes_added_inside_a_frame_cost_that_frame_only() -> None:
    first = len(encode(HELLO))
    stream = b"".join(encode(message) for message in (HELLO, frame(1), frame(2), frame(3)))
    for at in range(first + 1, first + len(encode(frame(1)))):
        for added in (b"7", b"lit\r\n"):
            receiver = LineReceiver()
            found = heard(receiver, stream[:at] + added + stream[at:]) + rest(receiver)
            assert found == [HELLO, frame(2), frame(3)], (at, added)


def test_a_changed_length_or_count_does_not_swallow_what_follows() -> None:
    for at in range(4, 8):
        for bit in range(8):
            damaged = bytearray(encode(frame(1)))
            damaged[at] ^= 1 << bit
            receiver = LineReceiver()
            found = heard(receiver, bytes(damaged) + encode(frame(2)) + encode(frame(3)))
            assert found == [frame(2), frame(3)], (at, bit)
    damaged = bytearray(encode(frame(1)))
    damaged[8 + 6 : 8 + 8] = b"\x0f\xff"  # 4,095 ranges
    receiver = LineReceiver()
    found = heard(receiver, bytes(damaged) + encode(frame(2)) + encode(frame(3)))
    assert found == [frame(2), frame(3)]


def test_a_frame_that_was_cut_off_is_given_up_and_what_stands_in_it_is_found() -> None:
    receiver = LineReceiver()
    cut = encode(frame(1, 40000))[:1000]
    assert heard(receiver, cut + encode(HELLO) + encode(frame(2))) == []
    assert rest(receiver) == [HELLO, frame(2)]
    assert receiver.reason == "it was cut off"
    assert heard(receiver, encode(frame(3))) == [frame(3)]


def test_a_frame_that_holds_a_header_waits_for_quiet_or_a_successor() -> None:
    inside = FramePart(4, False, ((BASE, b"xx" + encode(Ping(b"no")) + b"xx"),))
    receiver = LineReceiver()
    assert heard(receiver, encode(inside)) == []
    assert heard(receiver, encode(frame(5))) == [inside, frame(5)]
    assert heard(receiver, encode(inside)) == []
    assert rest(receiver) == [inside]
    ends = FramePart(6, False, ((BASE, b"hall L"),))
    receiver = LineReceiver()
    assert heard(receiver, encode(ends)) == []
    assert [lhp.decode(*pair) for pair in receiver.quiet()] == [ends]


@settings(max_examples=300, deadline=None)
@given(st.data())
def test_whatever_comes_is_decodable_and_sound_frames_are_found_again(data: st.DataObject) -> None:
    receiver = LineReceiver()
    stream = bytearray(STREAM)
    for _ in range(data.draw(st.integers(0, 6))):
        at = data.draw(st.integers(0, len(stream)))
        stream[at : at + data.draw(st.integers(0, 9))] = data.draw(st.binary(max_size=9))
    size = data.draw(st.integers(1, 300))
    chunks = [bytes(stream[at : at + size]) for at in range(0, len(stream), size)]
    found = heard(receiver, *chunks) + rest(receiver)
    assert len(found) <= len(MESSAGES) + 6
    assert receiver.pending == 0
    assert heard(receiver, encode(frame(9)), encode(frame(10))) + rest(receiver) == [
        frame(9),
        frame(10),
    ]
