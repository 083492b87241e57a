"""Intel HEX and S-record, held against binutils' objcopy."""

from __future__ import annotations

import random
import subprocess
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from adapters.dumps.decoding import decode, format_of
from adapters.dumps.intel_hex import intel_hex_segments
from adapters.dumps.s_record import s_record_segments
from adapters.dumps.segment import Segment
from schemas.errors import SourceUnusable

IMAGE = random.Random(11).randbytes(70_001)
LIMIT = 1 << 20


def objcopy(tmp_path: Path, target: str, address: int) -> bytes:
    """Outside source: objcopy of GNU binutils writes the format."""
    (tmp_path / "ram.bin").write_bytes(IMAGE)
    subprocess.run(
        ["objcopy", "-I", "binary", "-O", target, f"--change-addresses=0x{address:X}",
         "ram.bin", "ram.out"],
        cwd=tmp_path, check=True,
    )  # fmt: skip
    return (tmp_path / "ram.out").read_bytes()


def flatten(segments: list[Segment]) -> dict[int, int]:
    flat: dict[int, int] = {}
    for segment in segments:
        assert segment.address is not None
        flat.update(enumerate(segment.data, segment.address))
    return flat


@pytest.mark.needs("binutils", "objcopy")
@pytest.mark.parametrize("address", [0x0, 0x1234, 0xFFF8, 0x8010_0000])
def test_intel_hex_by_objcopy(tmp_path: Path, address: int) -> None:
    text = objcopy(tmp_path, "ihex", address)
    assert format_of(text) == "ihex"
    assert decode(text, "ihex", max_size=1 << 20) == [Segment(address, IMAGE)]


@pytest.mark.needs("binutils", "objcopy")
@pytest.mark.parametrize("address", [0x0, 0x1234, 0x8_0000, 0x8010_0000])
def test_s_record_by_objcopy(tmp_path: Path, address: int) -> None:
    text = objcopy(tmp_path, "srec", address)
    assert format_of(text) == "srec"
    assert decode(text, "srec", max_size=1 << 20) == [Segment(address, IMAGE)]


@pytest.mark.needs("binutils", "objcopy")
@pytest.mark.parametrize("target", ["ihex", "srec"])
def test_line_ends_of_any_system(tmp_path: Path, target: str) -> None:
    text = objcopy(tmp_path, target, 0x8010_0000).replace(b"\r\n", b"\n")
    for ended in (text, text.replace(b"\n", b"\r\n"), b"\n" + text + b"\n\n"):
        kind = format_of(ended)
        assert kind == target
        assert decode(ended, kind, max_size=1 << 20) == [Segment(0x8010_0000, IMAGE)]


def hex_line(address: int, kind: int, body: bytes) -> bytes:
    record = bytes([len(body), address >> 8, address & 0xFF, kind]) + body
    return b":" + (record + bytes([-sum(record) & 0xFF])).hex().upper().encode() + b"\n"


END = b":00000001FF\n"


def test_a_segment_address_wraps_its_offset_at_64_kib() -> None:
    # Intel's specification: "the offset is calculated modulo 64K" under a type 02 record
    text = hex_line(0, 2, b"\x12\x34") + hex_line(0xFFFE, 0, b"abcd") + END
    assert flatten(intel_hex_segments(text, max_size=LIMIT)) == {
        0x2233E: ord("a"), 0x2233F: ord("b"), 0x12340: ord("c"), 0x12341: ord("d"),
    }  # fmt: skip


def test_a_linear_address_carries_into_the_upper_half() -> None:
    text = hex_line(0, 4, b"\x80\x10") + hex_line(0xFFFE, 0, b"abcd") + END
    assert intel_hex_segments(text, max_size=LIMIT) == [Segment(0x8010_FFFE, b"abcd")]


def test_a_linear_address_wraps_at_4_gib() -> None:
    text = hex_line(0, 4, b"\xff\xff") + hex_line(0xFFFE, 0, b"abcd") + END
    assert intel_hex_segments(text, max_size=LIMIT) == [
        Segment(0xFFFF_FFFE, b"ab"),
        Segment(0, b"cd"),
    ]


def test_start_addresses_hold_no_bytes() -> None:
    text = hex_line(0, 3, bytes(4)) + hex_line(0, 5, bytes(4)) + hex_line(16, 0, b"ab") + END
    assert intel_hex_segments(text, max_size=LIMIT) == [Segment(16, b"ab")]


GOOD = hex_line(0, 4, b"\x80\x10") + hex_line(0, 0, b"abcd")


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (GOOD + b":0400000061626364FF\n", "line 3: expected checksum 0x72, found 0xFF"),
        (GOOD + b"0400000061626364\n", "line 3: expected a colon at the start of the line"),
        (
            GOOD + b":04zz\n",
            "line 3: expected pairs of hexadecimal digits after the colon",
        ),
        (GOOD + b":\xff\xfe\n", "line 3: expected pairs of hexadecimal digits after the colon"),
        (GOOD + b":05000000616263\n", "line 3: expected 10 bytes in the record, found 7"),
        (GOOD + b":\n", "line 3: expected 5 bytes in the record, found 0"),
        (GOOD + hex_line(0, 6, b""), "line 3: expected a record type of 0 to 5, found 6"),
        (GOOD + hex_line(0, 4, b"a"), "line 3: expected 2 bytes in a record of type 4, found 1"),
        (GOOD + END + GOOD, "line 4: expected nothing after the end record"),
    ],
)
def test_fault_15_intel_hex_errors_name_the_line(text: bytes, message: str) -> None:
    with pytest.raises(SourceUnusable) as caught:
        intel_hex_segments(text, max_size=LIMIT)
    assert str(caught.value) == f"Intel HEX: {message}"


def test_fault_14_intel_hex_without_an_end_is_cut_off() -> None:
    with pytest.raises(SourceUnusable) as caught:
        intel_hex_segments(GOOD, max_size=LIMIT)
    assert str(caught.value) == ("Intel HEX: no end record: the file is cut off; make it again")


def s_line(kind: int, width: int, address: int, body: bytes) -> bytes:
    record = address.to_bytes(width, "big") + body
    record = bytes([len(record) + 1]) + record
    return (
        f"S{kind}".encode() + (record + bytes([~sum(record) & 0xFF])).hex().upper().encode() + b"\n"
    )


S_GOOD = s_line(0, 2, 0, b"dawn") + s_line(3, 4, 0x8010_0000, b"abcd")
S_END = s_line(7, 4, 0, b"")


def test_a_worked_s_record() -> None:
    # The example record of Motorola's M68000 family programmer's reference manual, appendix C
    text = b"S1130000285F245F2212226A000424290008237C2A\nS9030000FC\n"
    assert s_record_segments(text, max_size=LIMIT) == [
        Segment(0, bytes.fromhex("285F245F2212226A000424290008237C"))
    ]


@pytest.mark.parametrize(("kind", "width"), [(5, 2), (6, 3)])
def test_a_count_of_data_records_is_checked(kind: int, width: int) -> None:
    assert s_record_segments(S_GOOD + s_line(kind, width, 1, b"") + S_END, max_size=LIMIT) == [
        Segment(0x8010_0000, b"abcd")
    ]
    with pytest.raises(SourceUnusable) as caught:
        s_record_segments(S_GOOD + s_line(kind, width, 2, b"") + S_END, max_size=LIMIT)
    assert str(caught.value) == "S-record: line 3: expected 2 data records before it, found 1"


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (S_GOOD + b"S30900000000616263640000\n", "expected 10 bytes in the record, found 11"),
        (S_GOOD + b"S3090000000061626364FF\n", "expected checksum 0x6C, found 0xFF"),
        (S_GOOD + b"T3\n", "expected S and a digit at the start of the line"),
        (S_GOOD + b"S3zz\n", "expected pairs of hexadecimal digits after S3"),
        (S_GOOD + b"S3\n", "expected 1 bytes in the record, found 0"),
        (S_GOOD + b"S30200FD\n", "expected 6 bytes or more in S3, found 3"),
        (S_GOOD + b"S4030000FC\n", "expected S0 to S3 or S5 to S9, found S4, which is reserved"),
    ],
)
def test_fault_15_s_record_errors_name_the_line(text: bytes, message: str) -> None:
    with pytest.raises(SourceUnusable) as caught:
        s_record_segments(text, max_size=LIMIT)
    assert str(caught.value) == f"S-record: line 3: {message}"


def test_fault_15_nothing_follows_the_end_of_an_s_record_file() -> None:
    with pytest.raises(SourceUnusable) as caught:
        s_record_segments(S_GOOD + S_END + S_GOOD, max_size=LIMIT)
    assert str(caught.value) == "S-record: line 4: expected nothing after the end record"


def test_fault_14_an_s_record_file_without_an_end_is_cut_off() -> None:
    with pytest.raises(SourceUnusable) as caught:
        s_record_segments(S_GOOD, max_size=LIMIT)
    assert str(caught.value) == (
        "S-record: no end record (S7, S8 or S9): the file is cut off; make it again"
    )


def test_fault_14_a_file_without_data_is_empty() -> None:
    for text, kind in ((END, "ihex"), (s_line(0, 2, 0, b"dawn") + S_END, "srec")):
        assert format_of(text) == kind
        with pytest.raises(SourceUnusable) as caught:
            decode(text, "ihex" if kind == "ihex" else "srec", max_size=1 << 20)
        assert str(caught.value) == "is empty: the file has no data record"


@pytest.mark.parametrize(
    "data", [b"S1", b"S1 is a text\n", b":-)", b":0\n", b"", b"\0" * 64, b"S113\xff\xff"]
)
def test_raw_bytes_that_begin_alike_are_raw(data: bytes) -> None:
    assert format_of(data) == "raw"


@settings(max_examples=300, deadline=None)
@given(st.data())
def test_only_documented_errors_escape_from_damaged_text(data: st.DataObject) -> None:
    text = bytearray(data.draw(st.sampled_from([GOOD + END, S_GOOD + S_END])))
    for _ in range(data.draw(st.integers(1, 6))):
        at = data.draw(st.integers(0, len(text) - 1))
        text[at : at + data.draw(st.integers(0, 3))] = data.draw(st.binary(max_size=3))
        text = text or bytearray(b":")
    for decoder in (intel_hex_segments, s_record_segments):
        refusal = ""
        segments: list[Segment] = []
        try:
            segments = decoder(bytes(text), max_size=LIMIT)
        except SourceUnusable as fault:
            refusal = fault.detail
        assert not refusal or refusal.startswith(("Intel HEX: ", "S-record: "))
        assert all(len(segment.data) > 0 for segment in segments)
