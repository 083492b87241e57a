"""One LHP/1 connection without a socket: what may come when."""

from __future__ import annotations

import random
from collections.abc import Iterable

import pytest

from adapters.sources.pushed import lhp
from adapters.sources.pushed.lhp import (
    Ack,
    Bye,
    Code,
    FramePart,
    Hello,
    Message,
    Ping,
    Type,
    Welcome,
    encode,
)
from adapters.sources.pushed.lhp_session import (
    ByeSaid,
    Event,
    FrameDone,
    HelloSaid,
    PingSaid,
    Refused,
    Session,
)

HELLO = Hello(0x8000_0000, 0x1000, name="gull")
LAMP = (0x8000_0100, b"lamp")
CRATE = (0x8000_0200, b"crate")


def frame(number: int, *changes: tuple[int, bytes], more: bool = False) -> FramePart:
    return FramePart(number, more, changes or (LAMP,))


def raw(kind: int, payload: bytes) -> bytes:
    return b"LH\x01" + bytes([kind]) + len(payload).to_bytes(4, "big") + payload


class Bridge:
    """Feeds a session and accepts every HELLO, as the server does."""

    def __init__(self, *, token: bytes = b"", max_frame: int = lhp.MAX_FRAME) -> None:
        self.session = Session(token=token, max_frame=max_frame)
        self.events: list[Event] = []

    def feed(self, *parts: Message | bytes, step: int = 1 << 20) -> list[Event]:
        """Events of these messages, fed *step* bytes at a time."""
        data = b"".join(part if isinstance(part, bytes) else encode(part) for part in parts)
        found: list[Event] = []
        for at in range(0, len(data), step):
            for event in self.session.receive(data[at : at + step]):
                if isinstance(event, HelloSaid):
                    self.session.accept()
                found.append(event)
        self.events += found
        return found


@pytest.fixture
def bridge() -> Bridge:
    greeted = Bridge()
    assert greeted.feed(HELLO) == [HelloSaid(HELLO)]
    return greeted


def codes(events: Iterable[Event]) -> list[tuple[int, bool]]:
    return [(e.error.code, e.error.fatal) for e in events if isinstance(e, Refused)]


def frames(events: Iterable[Event]) -> list[int]:
    return [e.frame for e in events if isinstance(e, FrameDone)]


@pytest.mark.parametrize("step", [1, 2, 7, 8, 9, 1 << 20])
def test_a_whole_session_however_it_is_cut(step: int) -> None:
    events = Bridge().feed(
        HELLO, frame(1), Ping(b"?"), frame(2, LAMP, more=True), frame(2, CRATE), Bye(), step=step
    )
    assert events == [
        HelloSaid(HELLO),
        FrameDone(1, (LAMP,)),
        PingSaid(b"?"),
        FrameDone(2, (LAMP, CRATE)),
        ByeSaid(),
    ]


def test_what_follows_bye_is_ignored(bridge: Bridge) -> None:
    assert bridge.feed(Bye(), frame(1), b"garbage") == [ByeSaid()]
    assert bridge.feed(frame(2)) == []
    assert bridge.session.over


def test_fault_17_a_frame_that_is_cut_gives_nothing(bridge: Bridge) -> None:
    data = encode(frame(1, LAMP, more=True)) + encode(frame(1, CRATE))
    for cut in range(len(data)):
        fresh = Bridge()
        fresh.feed(HELLO)
        assert fresh.feed(data[:cut]) == []
    assert bridge.feed(data) == [FrameDone(1, (LAMP, CRATE))]


@pytest.mark.parametrize(
    ("data", "code"),
    [
        (b"POST / HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n", Code.MAGIC),
        (b"LH\x02\x01", Code.VERSION),
        (raw(0x02, b"")[:4] + b"\x00\x10\x00\x01", Code.TOO_LONG),
    ],
)
def test_fault_17_a_wrong_header_is_fatal(data: bytes, code: Code, bridge: Bridge) -> None:
    assert codes(Bridge().feed(data)) == [(code, True)]
    assert codes(bridge.feed(frame(1), data, frame(2))) == [(code, True)]
    assert bridge.session.over
    assert frames(bridge.events) == [1]


@pytest.mark.parametrize(
    ("message", "code"),
    [
        (raw(0x07, b""), Code.TYPE),
        (encode(Ack(1)), Code.TYPE),
        (encode(Welcome(1)), Code.TYPE),
        (encode(HELLO), Code.TYPE),
        (raw(0x05, b"x"), Code.PAYLOAD),
        (raw(0x06, bytes(33)), Code.PAYLOAD),
        (raw(0x02, b""), Code.PAYLOAD),
        (encode(frame(9, (0x7FFF_FFFF, b"ab"))), Code.OUTSIDE_RAM),
        (encode(frame(9, (0x8000_0FFF, b"ab"))), Code.OUTSIDE_RAM),
        (raw(0x02, bytes(8)), Code.RANGES),
    ],
)
def test_fault_17_a_bad_message_is_refused_and_the_session_lives(
    bridge: Bridge, message: bytes, code: Code
) -> None:
    events = bridge.feed(frame(1), message, frame(2))
    assert codes(events) == [(code, False)]
    assert frames(events) == [1, 2]
    assert not bridge.session.over


@pytest.mark.parametrize(
    "message",
    [raw(0x07, b""), encode(frame(1)), encode(Ping()), encode(Bye()), raw(0x01, b"short")],
)
def test_anything_refused_before_hello_is_fatal(message: bytes) -> None:
    bridge = Bridge()
    ((code, fatal),) = codes(bridge.feed(message))
    assert fatal
    assert code == (Code.PAYLOAD if message[3] == Type.HELLO else Code.TYPE)
    assert bridge.feed(HELLO) == []


def test_a_frame_before_the_hello_is_accepted_is_fatal() -> None:
    session = Session()
    events = list(session.receive(encode(HELLO) + encode(frame(1))))
    assert events[0] == HelloSaid(HELLO)
    assert codes(events) == [(Code.TYPE, True)]


def test_a_part_of_another_frame_is_refused_and_both_are_dropped(bridge: Bridge) -> None:
    events = bridge.feed(
        frame(1, LAMP, more=True),
        frame(2, CRATE, more=True),
        frame(2, CRATE),
        frame(1, CRATE),
        frame(3),
    )
    assert codes(events) == [(Code.FRAME_NUMBER, False)]
    assert events[-1] == FrameDone(3, (LAMP,))
    assert frames(events) == [3]


@pytest.mark.parametrize(
    "bad",
    [
        encode(frame(5, (0x1000_0000, b"gull"), more=True)),
        raw(0x02, bytes.fromhex("00000005 01 00 0000")),
        raw(0x02, bytes.fromhex("00000005 01")),
        raw(0x02, b"\0"),
    ],
)
def test_fault_17_the_rest_of_a_dropped_frame_is_passed_over(bridge: Bridge, bad: bytes) -> None:
    events = bridge.feed(
        frame(5, LAMP, more=True), bad, frame(5, CRATE, more=True), frame(5, LAMP), frame(6)
    )
    assert len(codes(events)) == 1
    assert frames(events) == [6]


def test_frame_numbers_may_repeat_and_go_back(bridge: Bridge) -> None:
    assert frames(bridge.feed(frame(7), frame(7), frame(3))) == [7, 7, 3]


def test_a_frame_may_have_only_so_many_bytes() -> None:
    bridge = Bridge(max_frame=8)
    bridge.feed(HELLO)
    events = bridge.feed(frame(1, LAMP, LAMP), frame(2, LAMP, more=True), frame(2, CRATE))
    assert frames(events) == [1]
    assert codes(events) == [(Code.TOO_LONG, True)]
    assert bridge.session.over


def test_a_frame_may_have_only_so_many_ranges(
    bridge: Bridge, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("adapters.sources.pushed.lhp_session.MAX_FRAME_RANGES", 3)
    events = bridge.feed(
        frame(1, LAMP, LAMP, more=True), frame(1, LAMP), frame(2, LAMP, LAMP, more=True),
        frame(2, LAMP, LAMP, more=True), frame(2), frame(3),
    )  # fmt: skip
    assert codes(events) == [(Code.RANGES, False)]
    assert frames(events) == [1, 3]


@pytest.mark.parametrize("token", [b"", b"kez", b"keyy"])
def test_a_wrong_token_is_fatal(token: bytes) -> None:
    bridge = Bridge(token=b"key")
    hello = Hello(HELLO.base, HELLO.size, token=token)
    assert codes(bridge.feed(hello, HELLO)) == [(Code.TOKEN, True)]


def test_the_right_token_is_taken() -> None:
    hello = Hello(HELLO.base, HELLO.size, token=b"key")
    assert Bridge(token=b"key").feed(hello) == [HelloSaid(hello)]


def test_the_token_is_compared_in_constant_time(monkeypatch: pytest.MonkeyPatch) -> None:
    compared = []

    def compare(a: bytes, b: bytes) -> bool:
        compared.append((a, b))
        return True

    monkeypatch.setattr("adapters.sources.pushed.lhp_session.hmac.compare_digest", compare)
    hello = Hello(HELLO.base, HELLO.size, token=b"guess")
    assert Bridge(token=b"key").feed(hello) == [HelloSaid(hello)]
    assert compared == [(b"key", b"guess")]


def test_500_mutated_sessions_raise_nothing_and_stay_inside_ram() -> None:
    rng = random.Random(17)
    rows = [(0x8000_0000 + 256 * n, bytes([n]) * 8) for n in range(6)]
    refused: set[int] = set()
    done = 0
    for _ in range(500):
        messages = [encode(HELLO)]
        for number in range(1, 8):
            rng.shuffle(rows)
            cut = rng.randint(1, 5)
            messages += [
                encode(FramePart(number, True, tuple(rows[:cut]))),
                encode(FramePart(number, False, tuple(rows[cut:]))),
            ]
        for _ in range(rng.randint(1, 3)):
            victim = rng.randrange(len(messages))
            message = bytearray(messages[victim])
            message[rng.randrange(min(len(message), 24))] = rng.randrange(256)
            messages[victim] = bytes(message)
        if rng.random() < 0.2:
            messages.insert(rng.randrange(len(messages)), rng.randbytes(rng.randint(1, 40)))
        bridge = Bridge()
        events = bridge.feed(*messages, step=rng.choice([1, 5, 64, 4096]))
        fatal = [isinstance(event, Refused) and event.error.fatal for event in events]
        # a fatal ERROR is the last event, and ends the session
        assert not any(fatal[:-1])
        assert bridge.session.over == (fatal[-1:] == [True] or events[-1:] == [ByeSaid()])
        for event in events:
            if isinstance(event, Refused):
                refused.add(event.error.code)
            elif isinstance(event, FrameDone):
                done += 1
                hello = bridge.session.hello
                assert hello is not None
                for address, data in event.changes:
                    assert hello.base <= address
                    assert address + len(data) <= hello.base + hello.size
    assert done > 500
    assert {Code.MAGIC, Code.VERSION, Code.TOO_LONG, Code.TYPE, Code.PAYLOAD} <= refused
