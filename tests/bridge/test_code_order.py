"""The byte order told by machine code: real code of two processors, and what is no such code."""

from __future__ import annotations

import functools
import lzma
import math
import random
import struct
import sys
import sysconfig
import time
import zlib
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from adapters.sources.fake import ScriptedSource
from bridge.builds.machine_code import ENOUGH_BITS, code_order, order_scores
from bridge.memory.byte_order import ByteOrder, reorder
from bridge.readings.frame import Frame
from schemas.errors import SourceUnusable
from tests.bridge.test_sampler import SCHEMA, Bench, guest, take

ROOT = Path(__file__).parents[2]
SIZES = (4096, 65536)
some_windows = pytest.mark.parametrize(
    "count", [40, pytest.param(1000, marks=pytest.mark.full)], ids=["some", "full"]
)
"""How many windows of each are looked at."""
MIPS = Path("/usr/mips-linux-gnu/lib")
POWER_PC = Path("/usr/powerpc-linux-gnu/lib")
needs_mips = pytest.mark.needs("gcc-mips-linux-gnu", "mips-linux-gnu-gcc")


def section(path: Path, name: bytes = b".text") -> bytes:
    """A section of a 32-bit big-endian ELF file (System V ABI, chapter 4: section headers)."""
    data = path.read_bytes()
    assert data[:6] == b"\x7fELF\x01\x02"
    (table,) = struct.unpack_from(">I", data, 0x20)
    size, count, names = struct.unpack_from(">HHH", data, 0x2E)
    headers = [struct.unpack_from(">10I", data, table + size * n) for n in range(count)]
    texts = headers[names][4]
    for header in headers:
        start = texts + header[0]
        if data[start : data.index(b"\0", start)] == name:
            return data[header[4] : header[4] + header[5]]
    raise AssertionError(f"{path} has no section {name!r}")


def windows(data: bytes, size: int, count: int) -> Iterator[bytes]:
    """Windows at random places that are multiples of four, the same ones in each run."""
    dice = random.Random(size)
    for _ in range(count):
        start = dice.randrange(max(1, len(data) - size)) & ~3
        yield data[start : start + size]


def recall(name: str, code: bytes, order: ByteOrder, size: int, count: int) -> float:
    """The share of windows whose order is told, of which none may be told wrongly."""
    told = [code_order(reorder(window, order)) for window in windows(code, size, count)]
    wrong = len([verdict for verdict in told if verdict not in (None, order)])
    assert wrong == 0
    share = told.count(order) / len(told)
    print(f"{name} in {order}, {size >> 10} KiB: {share:.1%} of {len(told)} told, {wrong} wrong")
    return share


@pytest.mark.needs("libc6-mips-cross", f"{MIPS}/libc.so.6", f"{MIPS}/libm.so.6")
@some_windows
@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("order", list(ByteOrder))
@pytest.mark.parametrize("library", ["libc.so.6", "libm.so.6"])
def test_mips_code_in_four_orders(library: str, order: ByteOrder, size: int, count: int) -> None:
    """The C library of Debian's cross packages: code that this project did not write."""
    share = recall(f"MIPS {library}", section(MIPS / library), order, size, count)
    assert share >= (0.6 if size > 4096 else 0.3)


@pytest.mark.needs("libc6-powerpc-cross", f"{POWER_PC}/libc.so.6")
@some_windows
@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("order", list(ByteOrder))
def test_power_pc_code_in_four_orders(order: ByteOrder, size: int, count: int) -> None:
    share = recall("PowerPC libc", section(POWER_PC / "libc.so.6"), order, size, count)
    assert share >= (0.6 if size > 4096 else 0.3)


@functools.cache
def random_bytes() -> bytes:
    return random.Random(11).randbytes(4 << 20)


@functools.cache
def text() -> bytes:
    # our own: what else lies in the folder, as a virtual environment, is another on each machine
    own = (each for each in ROOT.iterdir() if each.is_dir() and not each.name.startswith("."))
    found = sorted(p for each in own for p in each.rglob("*") if p.suffix in (".py", ".md"))
    return b"".join(path.read_bytes() for path in found)


@functools.cache
def deflated() -> bytes:
    return zlib.compress(text() + random.Random(12).randbytes(1 << 20))


@functools.cache
def xz() -> bytes:
    return lzma.compress(text() + random.Random(13).randbytes(1 << 20), preset=1)


@functools.cache
def python_itself() -> bytes:
    """The running Python's library, or its program where it is all in one."""
    library = Path(sysconfig.get_config_var("LIBDIR") or "") / str(
        sysconfig.get_config_var("INSTSONAME")
    )
    return (library if library.is_file() else Path(sys.executable).resolve()).read_bytes()


@functools.cache
def floats() -> bytes:
    dice = random.Random(14)
    return struct.pack(">100000f", *(dice.gauss(0, 100) for _ in range(100_000)))


@functools.cache
def sound() -> bytes:
    return struct.pack("<200000h", *(int(20000 * math.sin(n / 20)) for n in range(200_000)))


@functools.cache
def pointers() -> bytes:
    dice = random.Random(15)
    return struct.pack(">100000I", *(0x8000_0000 + dice.randrange(1 << 22) for _ in range(100_000)))


MADE = (random_bytes, text, deflated, xz, python_itself, floats, sound, pointers)


@some_windows
@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("make", MADE)
def test_windows_of_what_is_no_such_code_have_no_order(
    make: Callable[[], bytes], size: int, count: int
) -> None:
    assert {code_order(window) for window in windows(make(), size, count)} == {None}


@pytest.mark.parametrize("make", MADE)
def test_what_is_no_such_code_has_no_order(make: Callable[[], bytes]) -> None:
    assert code_order(make()) is None


@pytest.mark.skipif(not Path("/bin/bash").exists(), reason="no /bin/bash")
@some_windows
@pytest.mark.parametrize("size", SIZES)
def test_a_program_for_this_machine_has_no_order(size: int, count: int) -> None:
    data = Path("/bin/bash").read_bytes()
    assert {code_order(window) for window in windows(data, size, count)} == {None}


def test_whole_libraries_of_this_machine_have_no_order() -> None:
    """Their symbol tables, hashes and relocations hold runs of like numbers."""
    multiarch = str(sysconfig.get_config_var("MULTIARCH"))
    found = sorted(Path("/usr/lib", multiarch).glob("*.so.*"))
    if not multiarch.startswith(("x86_64", "aarch64", "i386")) or not found:
        pytest.skip("no libraries for a processor other than those looked for")
    libraries = {path.resolve() for path in found if path.stat().st_size < 2 << 20}
    told = []
    for path in sorted(libraries)[:150]:
        data = path.read_bytes()
        pieces = [data, *(data[at : at + 0x1_0000] for at in range(0, len(data), 0x1_0000))]
        told += [path for piece in pieces if code_order(piece) is not None]
    assert told == []


@pytest.mark.parametrize("step", [1, 4, 0x100, 0x1001])
@pytest.mark.parametrize(
    "first", [0x27BC_0000, 0xAFB0_0000, 0x8FB0_0000, 0x8F98_0000, 0x9420_0000, 0x8001_0000]
)
def test_numbers_that_run_through_the_words_looked_for_are_no_code(first: int, step: int) -> None:
    numbers = struct.pack(">100000I", *(first + n * step & 0xFFFF_FFFF for n in range(100_000)))
    assert code_order(numbers) is None


@pytest.mark.parametrize("word", [0, 0x03E0_0008, 0x27BD_FFE0, 0x4E80_0020, 0x9421_FFE0])
def test_a_fill_is_no_code(word: int) -> None:
    assert code_order(word.to_bytes(4, "big") * 0x4000) is None


@pytest.mark.parametrize("length", range(9))
def test_short_data_has_no_order_and_no_error(length: int) -> None:
    assert code_order(bytes(length)) is None


@needs_mips
@pytest.mark.parametrize("order", list(ByteOrder))
def test_the_demo_games_own_code_is_told(elves: dict[str, Path], order: ByteOrder) -> None:
    for name, elf in elves.items():
        code = section(elf)
        assert code_order(reorder(code, order)) is order, name
        # the same in a memory that is empty but for this, as a console's is after start
        memory = bytes(0x1000) + code + bytes((4 << 20) - 0x1000 - len(code))
        assert code_order(reorder(memory, order)) is order, name


@needs_mips
def test_code_of_a_little_endian_guest_stands_in_reversed_words(elf: Path) -> None:
    code = section(elf)
    natural = reorder(code, ByteOrder.SWAP32)
    for order in ByteOrder:
        assert code_order(reorder(natural, order), big_endian=False) is order


@needs_mips
def test_eight_mebibytes_take_at_most_two_seconds(elf: Path) -> None:
    code = section(elf)
    dice = random.Random(16)
    for data in (dice.randbytes(8 << 20), (code * ((8 << 20) // len(code) + 1))[: 8 << 20]):
        began = time.process_time()
        code_order(data)
        took = time.process_time() - began
        print(f"{len(data) >> 20} MiB: {took:.2f} s")
        assert took < 2


# Words by hand, from the MIPS and Power manuals' encodings: a function's first and last words.
MIPS_FUNCTION = (
    0x27BD_FFE0,  # addiu sp, sp, -32
    0xAFBF_001C,  # sw ra, 28(sp)
    0xAFB0_0018,  # sw s0, 24(sp)
    0x8FBF_001C,  # lw ra, 28(sp)
    0x8FB0_0018,  # lw s0, 24(sp)
    0x03E0_0008,  # jr ra
    0x27BD_0020,  # addiu sp, sp, 32
)


@pytest.mark.parametrize("order", list(ByteOrder))
def test_one_function_written_by_hand_is_enough(order: ByteOrder) -> None:
    code = b"".join(word.to_bytes(4, "big") for word in MIPS_FUNCTION)
    scores = order_scores(reorder(code * 2 + bytes(256), order))
    assert max(scores, key=scores.__getitem__) is order
    assert scores[order] > ENOUGH_BITS
    assert code_order(reorder(code * 2 + bytes(256), order)) is order


# through the sampler

TICK = b"\x12\x34\x56\x78"


def bench_of(tmp_path: Path, *, evidence: bool = False) -> Bench:
    bench = Bench(tmp_path, "", {"ticks": "tick"})
    bench.build = "print"
    if not evidence:
        mark = 'recognise = [ { at = 0x8000_0400, text = "TIDE 1.0" } ]\n'
        bench.schema = SCHEMA.replace(mark, "")
        assert bench.schema != SCHEMA
    return bench


def source_with_code(order: ByteOrder) -> ScriptedSource:
    source = ScriptedSource(byte_order=order)
    for start in (0x8000_6000, 0x8000_7000):
        source.poke(start, b"".join(word.to_bytes(4, "big") for word in MIPS_FUNCTION))
    source.poke(0x8000_0020, TICK)
    return source


async def first(
    bench: Bench, source: ScriptedSource, declared: ByteOrder | None
) -> tuple[ByteOrder, Frame]:
    """The byte order that was settled on, and the first frame."""
    sampler = await bench.sampler(source, declared=declared)
    frame = await take(sampler)
    return sampler.order, frame


@pytest.mark.parametrize("order", list(ByteOrder))
async def test_without_evidence_the_code_decides(tmp_path: Path, order: ByteOrder) -> None:
    source = source_with_code(order)
    found, frame = await first(bench_of(tmp_path), source, None)
    assert (frame.build, frame.readings[0].value) == ("print", 0x1234)
    assert found is order
    assert source.notes == [f"byte_order is {order} by the machine code in guest memory"]


async def test_a_little_endian_guests_code_decides_too(tmp_path: Path) -> None:
    bench = bench_of(tmp_path)
    bench.schema = bench.schema.replace('endian = "big"', 'endian = "little"')
    source = ScriptedSource(byte_order=ByteOrder.HALFSWAP)
    code = b"".join(word.to_bytes(4, "little") for word in MIPS_FUNCTION)
    source.poke(0x8000_6000, code)
    source.poke(0x8000_7000, code)
    source.poke(0x8000_0020, TICK)
    found, frame = await first(bench, source, None)
    assert found is ByteOrder.HALFSWAP
    assert frame.readings[0].value == 0x3412


async def test_code_that_is_in_parts_not_held_decides_by_the_rest(tmp_path: Path) -> None:
    bench = bench_of(tmp_path)
    bench.schema = bench.schema.replace('"64 KiB"', '"3 MiB"')
    source = source_with_code(ByteOrder.SWAP16)
    source.refuse(0x8005_0000)
    assert (await first(bench, source, None))[1].build == "print"
    asked = [span for span in source.batches[1] if span.length == 0x1_0000]
    assert (len(asked), sum(span.length for span in asked)) == (16, 1 << 20)


async def test_without_code_the_order_is_asked_for(tmp_path: Path) -> None:
    with pytest.raises(SourceUnusable) as caught:
        await first(bench_of(tmp_path), ScriptedSource(), None)
    assert caught.value.detail == (
        "build print has no recognise bytes to tell the byte order by; set byte_order in [source]"
    )


@pytest.mark.parametrize("evidence", [False, True])
async def test_fault_16_a_declared_order_that_the_code_contradicts_is_obeyed_with_a_note(
    tmp_path: Path, evidence: bool
) -> None:
    source = source_with_code(ByteOrder.SWAP32)
    found, frame = await first(bench_of(tmp_path, evidence=evidence), source, ByteOrder.BIG)
    assert (found, frame.readings[0].value) == (ByteOrder.BIG, 0x7856)
    assert source.notes[0] == (
        "byte_order is big, but the machine code in guest memory stands in swap32; "
        "big is used as declared"
    )
    assert len(source.notes) == 1 + evidence


async def test_a_declared_order_that_the_code_confirms_is_no_news(tmp_path: Path) -> None:
    source = source_with_code(ByteOrder.SWAP32)
    _, frame = await first(bench_of(tmp_path), source, ByteOrder.SWAP32)
    assert (source.notes, frame.readings[0].value) == ([], 0x1234)


async def test_recognise_bytes_come_before_the_code(tmp_path: Path) -> None:
    source = source_with_code(ByteOrder.SWAP32)
    guest(source)
    found, frame = await first(bench_of(tmp_path, evidence=True), source, None)
    assert (frame.build, found, source.notes) == ("print", ByteOrder.SWAP32, [])
    assert all(span.length < 0x1_0000 for batch in source.batches for span in batch)
