"""The debugger protocol's client without a socket: framing, codings, queues, and damage.

Check values are those of the GDB manual, appendix "GDB Remote Serial Protocol", where named.
"""

from __future__ import annotations

import contextlib
import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from adapters.sources.debugger.rsp import (
    MAX_PACKET,
    Answer,
    Client,
    Damaged,
    Event,
    Features,
    RspError,
    Stop,
    checksum,
    expand,
    features,
    memory_of,
    packet,
    unescape,
)


def wire(raw: bytes) -> bytes:
    """A packet around bytes that are coded already."""
    return b"$" + raw + b"#" + checksum(raw)


def asked(count: int, **settings: int) -> Client:
    """A client that has asked *count* things and handed them out."""
    client = Client(**settings)
    for _ in range(count):
        client.request(b"m80000000,4")
    client.data_to_send()
    return client


@pytest.mark.parametrize(
    ("raw", "expected"),
    [
        # the manual's section "Overview": "0* " is "0000", and how eight zeros have to be sent
        (b"0* ", b"0000"),
        (b'0*"00', b"00000000"),
        (b"", b""),
        (b"ab*!c", b"abbbbbc"),
        (b"0*~", b"0" * 98),
        (b"x*~*~", b"x" * 195),
    ],
)
def test_run_length_vectors(raw: bytes, expected: bytes) -> None:
    assert expand(raw, 1000) == expected


@pytest.mark.parametrize(
    ("raw", "message"),
    [
        (b"* ", "expected a byte before and a count after *, found neither or one"),
        (b"0*", "expected a byte before and a count after *, found neither or one"),
        (b"0*\x1f", "expected a count of 0x20 to 0x7E after *, found 0x1F"),
        (b"0*\x7f", "expected a count of 0x20 to 0x7E after *, found 0x7F"),
        (b"0*~0*~", "expected a packet of at most 150 bytes, found more once unpacked"),
    ],
)
def test_wrong_runs_are_refused(raw: bytes, message: str) -> None:
    with pytest.raises(RspError) as caught:
        expand(raw, 150)
    assert str(caught.value) == message


def test_escapes() -> None:
    # the manual's section "Binary Data": 0x7d is sent as 0x7d 0x5d
    assert unescape(b"\x7d\x5d") == b"\x7d"
    assert unescape(b"a}\x03b}\x04c}\x0a") == b"a#b$c*"
    with pytest.raises(RspError) as caught:
        unescape(b"ab}")
    assert str(caught.value) == "expected a byte after }, found the packet's end"


def test_runs_are_undone_before_escapes() -> None:
    client = asked(1)
    # in the other order the escaped star would be taken for a run
    assert client.receive(wire(b"}\x0a ")) == [Answer(0, b"* ")]
    client = asked(1)
    assert client.receive(wire(b"}* ")) == [Answer(0, b"]]")]


def test_checksum_is_the_sum_modulo_256() -> None:
    # the manual's own exchanges: "$OK#9a", "$#00"
    assert packet(b"OK") == b"$OK#9a"
    assert packet(b"") == b"$#00"
    assert checksum(b"\xff\xff\x03") == b"01"


def test_framing_bytes_are_escaped_when_sent() -> None:
    raw = packet(b"#$}*")
    assert raw[1:-3] == b"}\x03}\x04}\x5d}\x0a"
    assert unescape(raw[1:-3]) == b"#$}*"


SESSION = (
    b"+$T02thread:01;#04"
    + wire(b"PacketSize=1000;qXfer:features:read+")
    + b"%Stop:T05#f4"
    + wire(b"O6c616d70")
    + b"++"
    + wire(b"0* ")
    + b"\x00garbage"
    + wire(b"E14")
    + wire(b"T05thread:01;watch:ffffffff80180010;")
    + wire(b"OK")
)
EVENTS: list[Event] = [
    Stop(b"T02thread:01;"),
    Answer(0, b"PacketSize=1000;qXfer:features:read+"),
    Answer(1, b"0000"),
    Answer(2, b"E14"),
    Stop(b"T05thread:01;watch:ffffffff80180010;"),
    Answer(3, b"OK"),
]


def test_stops_output_and_notifications_do_not_answer() -> None:
    client = asked(4)
    assert client.receive(SESSION) == EVENTS
    assert client.outstanding == 0


def test_byte_by_byte_and_in_every_two_parts() -> None:
    client = asked(4)
    assert [event for byte in SESSION for event in client.receive(bytes([byte]))] == EVENTS
    for at in range(len(SESSION)):
        client = asked(4)
        assert client.receive(SESSION[:at]) + client.receive(SESSION[at:]) == EVENTS


def test_trailing_bytes_wait_for_the_rest() -> None:
    client = asked(2)
    assert client.receive(wire(b"01") + b"$02#") == [Answer(0, b"01")]
    assert client.outstanding == 1
    assert client.receive(b"") == []
    assert client.receive(b"6") == []
    assert client.receive(b"2") == [Answer(1, b"02")]


def test_an_answer_that_nobody_asked_for_is_dropped() -> None:
    client = asked(0)
    assert client.receive(wire(b"0102")) == []
    ticket = client.request(b"m0,1")
    assert client.receive(wire(b"07")) == [Answer(ticket, b"07")]


def test_a_packet_that_begins_inside_another_replaces_it() -> None:
    assert asked(1).receive(b"$0102" + wire(b"07")) == [Answer(0, b"07")]


def test_what_stops_tell() -> None:
    stop = Stop(b"T05thread:01;watch:80180010;")
    assert (stop.signal, stop.at_watchpoint, stop.ended) == (5, True, False)
    assert (Stop(b"S02").signal, Stop(b"S02").at_watchpoint) == (2, False)
    assert Stop(b"W00").ended
    assert Stop(b"X0b").ended
    assert Stop(b"S5").signal == 5
    assert Stop(b"T0;").signal == -1


# acknowledgements


def test_acknowledgements_wait_for_the_next_packet() -> None:
    client = asked(1)
    client.receive(wire(b"01"))
    client.command(b"c")
    assert client.data_to_send() == b"+$c#63"
    assert client.data_to_send() == b""
    client.receive(b"+")
    assert client.data_to_send() == b""


def test_output_and_stops_are_acknowledged_and_notifications_are_not() -> None:
    client = asked(0)
    client.receive(wire(b"O41") + b"%Stop:T05#f4" + wire(b"T05"))
    assert client.data_to_send() == b"++"


def test_no_ack_mode_begins_after_its_own_acknowledgement() -> None:
    client = Client()
    client.request(b"QStartNoAckMode")
    assert client.data_to_send() == b"$QStartNoAckMode#b0"
    client.receive(b"+$OK#9a")
    client.no_more_acks()
    client.request(b"m0,1")
    assert client.data_to_send() == b"+" + packet(b"m0,1")
    client.receive(wire(b"01"))
    assert client.data_to_send() == b""


def test_the_answer_to_detaching_is_not_acknowledged() -> None:
    client = asked(0)
    client.request(b"m0,1")
    client.data_to_send()
    client.detach()
    assert client.data_to_send() == b"$D#44"
    # the answer that is still owed is not taken for the one to D
    assert client.receive(b"+" + wire(b"07")) == []
    assert not client.detached
    assert client.receive(b"+$OK#9a") == []
    assert client.detached
    assert client.data_to_send() == b""


def test_an_interrupt_is_one_raw_byte() -> None:
    client = asked(0)
    client.interrupt()
    assert client.data_to_send() == b"\x03"
    client.nudge()
    assert client.data_to_send() == b"+"


def test_an_answer_that_came_after_the_guest_was_let_go_is_acknowledged_once_it_stands() -> None:
    """Its acknowledgement would halt the guest, and the interrupt then find it halted."""
    client = asked(1)
    client.data_to_send()
    client.command(b"c")
    client.data_to_send()
    client.receive(b"+$07#67")
    client.interrupt()
    assert client.data_to_send() == b"\x03+"
    client.command(b"c")
    client.interrupt()
    assert client.data_to_send() == b"$c#63\x03"


# damage


def test_a_damaged_answer_is_refused_once_and_taken_the_second_time() -> None:
    client = asked(1)
    assert client.receive(b"$0102#00") == []
    assert client.data_to_send() == b"-"
    assert client.receive(wire(b"0102")) == [Answer(0, b"0102")]
    assert client.data_to_send() == b"+"
    client.request(b"m0,1")
    client.data_to_send()
    assert client.receive(b"$07#zz") == []
    assert client.data_to_send() == b"-"


def test_damage_twice_ends_the_connection() -> None:
    client = asked(1)
    client.receive(b"$0102#00")
    with pytest.raises(RspError) as caught:
        client.receive(b"$0102#00")
    assert str(caught.value) == "expected checksum c3, found '00' again"


def test_without_acknowledgements_damage_ends_the_connection() -> None:
    client = asked(1)
    client.no_more_acks()
    with pytest.raises(RspError) as caught:
        client.receive(b"$0102#00")
    assert str(caught.value) == "expected checksum c3, found '00'"


def test_a_damaged_answer_among_many_keeps_the_others_in_step() -> None:
    client = asked(3)
    data = wire(b"01") + b"$02#00" + wire(b"03")
    assert client.receive(data) == [Answer(0, b"01"), Damaged(1), Answer(2, b"03")]
    # a stub that has sent the third answer would repeat that one, were it asked to
    assert client.data_to_send() == b"+++"


def test_a_packet_of_ours_is_sent_again_once() -> None:
    client = asked(0)
    client.request(b"m0,1")
    sent = client.data_to_send()
    client.receive(b"-")
    assert client.data_to_send() == sent
    with pytest.raises(RspError) as caught:
        client.receive(b"-")
    assert str(caught.value) == "the stub found packets damaged that were sent whole"


def test_size_limits() -> None:
    client = asked(1, max_packet=16)
    assert client.receive(wire(b"0" * 16)) == [Answer(0, b"0" * 16)]
    for data in (wire(b"0" * 17), b"$" + b"0" * 18, b"%" + b"0" * 18):
        with pytest.raises(RspError) as caught:
            asked(1, max_packet=16).receive(data)
        assert str(caught.value) == "expected a packet of at most 16 bytes, found more"
    with pytest.raises(RspError) as caught:
        asked(1, max_packet=16).receive(wire(b"0*~"))
    assert "found more once unpacked" in str(caught.value)


# what the answers mean


def test_features() -> None:
    assert features(b"PacketSize=1000;qXfer:features:read+") == Features(0x1000, False)
    assert features(b"PacketSize=1000").most_read == 2048
    assert features(b"PacketSize=47ff;QStartNoAckMode+") == Features(0x47FF, True)
    assert features(b"") == Features(400, False)
    assert features(b"PacketSize=;QStartNoAckMode-") == Features(400, False)
    assert features(b"PacketSize=ffffffffffff").packet_size == MAX_PACKET
    assert features(b"PacketSize=0").packet_size == 32


@pytest.mark.parametrize(
    ("answer", "length", "expected"),
    [
        (b"0aFF", 2, b"\x0a\xff"),
        (b"", 0, b""),
        (b"0aF", 2, None),
        (b"0a", 2, None),
        (b"0aFF00", 2, None),
        (b"0aFg", 2, None),
        (b"0a F", 2, None),
        (b"E14", 2, None),
        (b"E014", 2, b"\xe0\x14"),
        (b"xxxx", 2, None),
        (b"", 2, None),
    ],
)
def test_memory(answer: bytes, length: int, expected: bytes | None) -> None:
    assert memory_of(answer, length) == expected


def coded(data: bytes, dice: random.Random) -> bytes:
    """*data* as some stub may code it: escapes where they must be, runs where it likes."""
    raw = bytearray()
    at = 0
    while at < len(data):
        byte = data[at]
        if byte in b"#$}*":
            raw += bytes((0x7D, byte ^ 0x20))
            at += 1
            continue
        run = 1
        while at + run < len(data) and data[at + run] == byte:
            run += 1
        more = min(run - 1, 97)
        if more >= 3 and more + 29 not in b"#$" and dice.random() < 0.8:
            raw += bytes((byte, 0x2A, more + 29))
            at += more + 1
        else:
            raw.append(byte)
            at += 1
    return bytes(raw)


@given(st.lists(st.sampled_from([b"0", b"}", b"*", b"#", b"$", b"ab", b"\0"]), max_size=40))
def test_any_coding_comes_back(parts: list[bytes]) -> None:
    # answers only, so the first byte is none that a stop or output begins with
    data = b"r" + b"".join(part * (1 + len(parts) % 9) for part in parts)
    raw = coded(data, random.Random(len(parts)))
    assert asked(1).receive(wire(raw)) == [Answer(0, data)]


PIECES = [b"$", b"#", b"*", b"}", b"%", b"+", b"-", b"\x03", b"O", b"OK", b"T05", b"W00", b"9a"]


@given(
    st.lists(
        st.one_of(
            st.sampled_from([*PIECES, SESSION, wire(b"0* "), wire(b"T05watch:0;")]),
            st.binary(max_size=8),
            st.binary(max_size=20).map(wire),
        ),
        max_size=30,
    ),
    st.integers(0, 6),
    st.integers(1, 7),
    st.booleans(),
)
def test_only_its_own_error_escapes(
    pieces: list[bytes], requests: int, step: int, acknowledging: bool
) -> None:
    client = asked(requests, max_packet=64)
    if not acknowledging:
        client.no_more_acks()
    data = b"".join(pieces)
    events: list[Event] = []
    with contextlib.suppress(RspError):
        for at in range(0, len(data), step):
            events += client.receive(data[at : at + step])
    tickets = [event.ticket for event in events if not isinstance(event, Stop)]
    assert tickets == list(range(len(tickets)))
    assert len(tickets) <= requests
    assert acknowledging or client.data_to_send() == b""


def test_a_stop_before_the_command_was_acknowledged_is_early() -> None:
    client = Client()
    client.command(b"c")
    (stop,) = client.receive(wire(b"T02"))
    assert isinstance(stop, Stop)
    assert stop.early
    client.command(b"c")
    (stop,) = client.receive(b"+" + wire(b"T02"))
    assert isinstance(stop, Stop)
    assert not stop.early
    # without acknowledgements nobody can tell
    client.no_more_acks()
    client.command(b"c")
    (stop,) = client.receive(wire(b"T02"))
    assert isinstance(stop, Stop)
    assert not stop.early
