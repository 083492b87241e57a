"""ELF: built with struct by the System V ABI's tables, and by a real linker."""

from __future__ import annotations

import random
import struct
import subprocess
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from adapters.dumps.elf import elf_segments
from adapters.dumps.segment import Segment
from schemas.errors import SourceUnusable

ET_CORE = 4
PT_LOAD = 1
PT_NOTE = 4
EM_MIPS = 8
LIMIT = 1 << 20

every_kind = pytest.mark.parametrize(
    ("wide", "endian"), [(False, ">"), (False, "<"), (True, ">"), (True, "<")]
)


def core(
    wide: bool, endian: str, parts: list[tuple[int, int, bytes]], *, extended_count: bool = False
) -> bytes:
    """A core file of (segment type, address, bytes); layout: System V ABI, chapters 4 and 5."""
    header_size, entry_size = (64, 56) if wide else (52, 32)
    section_size = 64 if wide else 40
    sections = header_size + entry_size * len(parts)
    offset = sections + section_size
    word = "Q" if wide else "I"
    ident = b"\x7fELF" + bytes([2 if wide else 1, 1 if endian == "<" else 2, 1]) + bytes(9)
    count = 0xFFFF if extended_count else len(parts)
    header = ident + struct.pack(
        f"{endian}HHI3{word}IHHHHHH",
        ET_CORE, EM_MIPS, 1, 0, header_size, sections if extended_count else 0, 0,
        header_size, entry_size, count, section_size, int(extended_count), 0,
    )  # fmt: skip
    table, body = b"", b""
    for kind, address, data in parts:
        where = offset + len(body)
        if wide:
            table += struct.pack(
                f"{endian}IIQQQQQQ", kind, 6, where, address, 0, len(data), len(data), 1
            )
        else:
            table += struct.pack(
                f"{endian}IIIIIIII", kind, where, address, 0, len(data), len(data), 6, 1
            )
        body += data
    # section header 0: sh_info holds the count of segments where e_phnum is PN_XNUM
    section = struct.pack(f"{endian}II4{word}II2{word}", 0, 0, 0, 0, 0, 0, 0, len(parts), 0, 0)
    return header + table + section + body


RAM = random.Random(5).randbytes(5000)


@every_kind
def test_every_class_and_byte_order(wide: bool, endian: str) -> None:
    data = core(
        wide,
        endian,
        [(PT_NOTE, 0, b"notes"), (PT_LOAD, 0x8010_0000, RAM), (PT_LOAD, 0xA000_0000, b"gull")],
    )
    assert elf_segments(data, max_size=LIMIT) == [
        Segment(0x8010_0000, RAM),
        Segment(0xA000_0000, b"gull"),
    ]


@every_kind
def test_more_segments_than_the_header_can_count(wide: bool, endian: str) -> None:
    # System V ABI: e_phnum PN_XNUM (0xFFFF) moves the count to sh_info of section header 0
    data = core(wide, endian, [(PT_LOAD, 0x8010_0000, RAM)], extended_count=True)
    assert elf_segments(data, max_size=LIMIT) == [Segment(0x8010_0000, RAM)]


@every_kind
def test_fault_15_a_segment_beyond_the_end_is_named(wide: bool, endian: str) -> None:
    data = core(wide, endian, [(PT_LOAD, 0x8000_0000, b"lamp"), (PT_LOAD, 0x8010_0000, RAM)])
    with pytest.raises(SourceUnusable) as caught:
        elf_segments(data[:-1000], max_size=LIMIT)
    assert str(caught.value) == (
        f"ELF: segment 1 at 0x80100000: expected 5000 bytes at file offset "
        f"0x{len(data) - 5000:X}, found 4000: the file is cut off"
    )


@every_kind
def test_a_header_that_is_cut_off(wide: bool, endian: str) -> None:
    data = core(wide, endian, [(PT_LOAD, 0x8010_0000, RAM)])
    for cut in (4, 5, 6, 20, 51, 60, 80):
        with pytest.raises(SourceUnusable, match=r"^ELF: .* cut off"):
            elf_segments(data[:cut], max_size=LIMIT)


def test_no_loadable_segment() -> None:
    with pytest.raises(SourceUnusable) as caught:
        elf_segments(core(False, ">", [(PT_NOTE, 0, b"n"), (PT_LOAD, 0, b"")]), max_size=LIMIT)
    assert str(caught.value) == "ELF: expected loadable segments with bytes, found none"


def test_fault_14_many_segments_of_the_same_bytes_are_a_bomb() -> None:
    data = bytearray(core(False, ">", [(PT_LOAD, n << 16, b"") for n in range(1000)]))
    for number in range(1000):
        # p_offset 0 and p_filesz 32768: each segment is the file's first half
        struct.pack_into(">I", data, 52 + 32 * number + 4, 0)
        struct.pack_into(">I", data, 52 + 32 * number + 16, 30_000)
    with pytest.raises(SourceUnusable) as caught:
        elf_segments(bytes(data), max_size=LIMIT)
    assert str(caught.value) == (
        "ELF: expected segments of at most 1048576 bytes together, found more: a damaged file, "
        "or max_size is too small"
    )


@pytest.mark.needs("gcc-mips-linux-gnu", "mips-linux-gnu-gcc", "mips-linux-gnu-objcopy")
def test_a_real_mips_program(tmp_path: Path) -> None:
    """Outside source: GNU ld links it, GNU objcopy says what its loadable bytes are."""
    (tmp_path / "lamp.c").write_text(
        "unsigned int lamps[64] = {0x54494445, 1, 2, 3};\n"
        "int __start(void) { return (int)lamps[1]; }\n"
    )
    subprocess.run(
        ["mips-linux-gnu-gcc", "-mabi=32", "-mno-abicalls", "-fno-pic", "-G0", "-ffreestanding",
         "-nostdlib", "-static", "-Wl,-Ttext=0x80100000", "-Wl,-Tdata=0x80140000",
         "-Wl,--build-id=none", "lamp.c", "-o", "lamp.elf"],
        cwd=tmp_path, check=True,
    )  # fmt: skip
    subprocess.run(
        ["mips-linux-gnu-objcopy", "-O", "binary", "-j", ".data", "lamp.elf", "data.bin"],
        cwd=tmp_path, check=True,
    )  # fmt: skip
    expected = (tmp_path / "data.bin").read_bytes()
    segments = elf_segments((tmp_path / "lamp.elf").read_bytes(), max_size=LIMIT)
    holding = [s for s in segments if s.address is not None and s.address <= 0x8014_0000 < s.end]
    assert len(holding) == 1
    assert holding[0].address is not None
    offset = 0x8014_0000 - holding[0].address
    assert bytes(holding[0].data[offset : offset + len(expected)]) == expected
    assert expected[:4] == b"TIDE"


@settings(max_examples=300, deadline=None)
@given(st.data())
def test_only_documented_errors_escape_from_damaged_files(data: st.DataObject) -> None:
    wide, endian = data.draw(st.booleans()), data.draw(st.sampled_from("<>"))
    damaged = bytearray(core(wide, endian, [(PT_LOAD, 0x8010_0000, b"lamp")] * 3))
    for _ in range(data.draw(st.integers(1, 6))):
        damaged[data.draw(st.integers(4, len(damaged) - 1))] = data.draw(st.integers(0, 255))
    cut = data.draw(st.integers(4, len(damaged)))
    refusal = ""
    size = 0
    try:
        segments = elf_segments(bytes(damaged[:cut]), max_size=LIMIT)
        size = sum(len(segment.data) for segment in segments)
    except SourceUnusable as fault:
        refusal = fault.detail
    assert refusal.startswith("ELF: ") if refusal else 0 < size <= LIMIT
