"""Wrappings, held against the programs that make them."""

from __future__ import annotations

import functools
import gzip
import io
import lzma
import random
import subprocess
import tracemalloc
import zipfile
from collections.abc import Callable

import pytest
import zstandard

from adapters.dumps.wrapping import unwrap, wrapping_of
from schemas.errors import SourceUnusable

MIB = 1 << 20
IMAGE = random.Random(7).randbytes(150_000) + bytes(100_000) + b"Tidewright" * 100


def zipped(**files: bytes) -> bytes:
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in files.items():
            archive.writestr(name.replace("_bin", ".bin"), data)
    return stream.getvalue()


def zip_one(data: bytes) -> bytes:
    return zipped(ram_bin=data)


PACKERS: dict[str, Callable[[bytes], bytes]] = {
    "gzip": gzip.compress,
    "xz": functools.partial(lzma.compress, preset=0),
    "zstd": zstandard.compress,
    "zip": zip_one,
}
every_wrapping = pytest.mark.parametrize("wrapping", list(PACKERS))


def unpack(data: bytes, *, max_size: int = 16 * MIB, member: str = "") -> bytes:
    return unwrap(io.BytesIO(data), max_size=max_size, member=member)


@every_wrapping
def test_what_was_packed_comes_out(wrapping: str) -> None:
    packed = PACKERS[wrapping](IMAGE)
    assert wrapping_of(packed[:6]) == wrapping
    assert unpack(packed) == IMAGE


@pytest.mark.parametrize(
    "program",
    [
        pytest.param("gzip", marks=pytest.mark.needs("gzip", "gzip")),
        pytest.param("xz", marks=pytest.mark.needs("xz-utils", "xz")),
        pytest.param("zstd", marks=pytest.mark.needs("zstd", "zstd")),
    ],
)
@pytest.mark.parametrize("level", ["-1", "-9"])
def test_what_the_program_packed_comes_out(program: str, level: str) -> None:
    """Outside source: GNU gzip, XZ Utils and the zstd program."""
    packed = subprocess.run(
        [program, level, "-c"], input=IMAGE, stdout=subprocess.PIPE, check=True
    ).stdout
    assert unpack(packed) == IMAGE


def test_no_wrapping_is_no_error() -> None:
    assert unpack(IMAGE) == IMAGE


@pytest.mark.parametrize("outer", list(PACKERS))
@pytest.mark.parametrize("inner", list(PACKERS))
def test_two_wrappings_come_off(outer: str, inner: str) -> None:
    assert unpack(PACKERS[outer](PACKERS[inner](IMAGE))) == IMAGE


def test_three_wrappings_are_refused() -> None:
    with pytest.raises(SourceUnusable) as caught:
        unpack(zip_one(gzip.compress(lzma.compress(IMAGE))))
    assert str(caught.value) == "expected at most 2 wrappings, found xz in gzip in zip"


@every_wrapping
def test_fault_14_a_truncated_archive_is_an_error_wherever_it_is_cut(wrapping: str) -> None:
    packed = PACKERS[wrapping](IMAGE)
    cuts = {6, 7, 12, len(packed) // 3, len(packed) // 2, *range(len(packed) - 30, len(packed))}
    for cut in sorted(cuts):
        with pytest.raises(SourceUnusable) as caught:
            unpack(packed[:cut])
        assert str(caught.value).startswith(f"{wrapping}: ")
        assert "cut off" in str(caught.value) or "damaged" in str(caught.value)


def test_fault_14_a_truncated_zstd_frame_is_an_error_although_the_library_reads_it() -> None:
    packed = zstandard.compress(IMAGE)
    cut = packed[:-1]
    # that the library says nothing is the reason for our own check
    with zstandard.ZstdDecompressor().stream_reader(io.BytesIO(cut)) as reader:
        assert len(reader.read(MIB)) > 0
    with pytest.raises(SourceUnusable) as caught:
        unpack(cut)
    assert str(caught.value) == (
        "zstd: the stream is cut off before its end: copy or make the dump again"
    )


@pytest.mark.parametrize("wrapping", ["gzip", "xz"])
def test_fault_14_the_message_of_a_truncated_stream(wrapping: str) -> None:
    with pytest.raises(SourceUnusable) as caught:
        unpack(PACKERS[wrapping](IMAGE)[:-5])
    assert str(caught.value) == (
        f"{wrapping}: the stream is cut off before its end: copy or make the dump again"
    )


@every_wrapping
def test_fault_14_a_bomb_is_stopped_at_the_limit(wrapping: str) -> None:
    bomb = PACKERS[wrapping](bytes(32 * MIB))
    assert len(bomb) < MIB
    with pytest.raises(SourceUnusable) as caught:
        unpack(bomb, max_size=MIB)
    assert str(caught.value) == (
        "expected at most 1048576 bytes once unpacked, found more: a damaged or hostile archive, "
        "or max_size is too small"
    )


@every_wrapping
def test_fault_14_a_bomb_in_a_wrapping_is_stopped_too(wrapping: str) -> None:
    with pytest.raises(SourceUnusable, match="found more"):
        unpack(gzip.compress(PACKERS[wrapping](bytes(32 * MIB))), max_size=MIB)


@every_wrapping
def test_fault_14_a_bomb_takes_little_memory_before_it_is_stopped(wrapping: str) -> None:
    bomb = PACKERS[wrapping](bytes(32 * MIB))
    tracemalloc.start()
    try:
        with pytest.raises(SourceUnusable, match="found more"):
            unpack(bomb, max_size=MIB)
        _, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert peak < 24 * MIB


def test_the_limit_itself_is_allowed() -> None:
    assert unpack(gzip.compress(bytes(MIB)), max_size=MIB) == bytes(MIB)
    assert unpack(bytes(MIB), max_size=MIB) == bytes(MIB)
    with pytest.raises(SourceUnusable, match="expected at most 1048575 bytes"):
        unpack(bytes(MIB), max_size=MIB - 1)


def test_fault_14_a_zip_with_several_files_lists_them() -> None:
    archive = zipped(dawn_bin=b"a", dusk_bin=b"b")
    with pytest.raises(SourceUnusable) as caught:
        unpack(archive)
    assert str(caught.value) == (
        "zip: expected one file, found 2: name one with member = (dawn.bin, dusk.bin)"
    )
    assert unpack(archive, member="dusk.bin") == b"b"


def test_a_member_that_is_not_there_lists_those_that_are() -> None:
    with pytest.raises(SourceUnusable) as caught:
        unpack(zipped(dawn_bin=b"a"), member="noon.bin")
    assert str(caught.value) == 'zip: expected the member "noon.bin", found dawn.bin'


def test_a_member_without_a_zip_is_an_error() -> None:
    with pytest.raises(SourceUnusable) as caught:
        unpack(gzip.compress(b"a"), member="dawn.bin")
    assert str(caught.value) == 'expected a zip archive that holds "dawn.bin", found none'


def test_fault_14_an_empty_zip() -> None:
    with pytest.raises(SourceUnusable) as caught:
        unpack(zipped())
    assert str(caught.value) == "zip: the archive holds no file"


def test_a_folder_in_a_zip_is_not_a_file() -> None:
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w") as archive:
        archive.mkdir("dumps") if hasattr(archive, "mkdir") else archive.writestr("dumps/", b"")
        archive.writestr("dumps/dawn.bin", b"image")
    assert unpack(stream.getvalue()) == b"image"


def test_an_encrypted_zip_says_so() -> None:
    archive = bytearray(zip_one(b"image"))
    # general purpose bit 0, "encrypted", in both headers (PKWARE APPNOTE 4.4.4)
    archive[6] |= 1
    archive[archive.index(b"PK\x01\x02") + 8] |= 1
    with pytest.raises(SourceUnusable, match=r"^zip: the archive is encrypted: take the dump out"):
        unpack(bytes(archive))


@pytest.mark.parametrize(
    "data", [b"", *(pack(b"") for pack in PACKERS.values())], ids=["nothing", *PACKERS]
)
def test_fault_14_an_empty_dump(data: bytes) -> None:
    with pytest.raises(SourceUnusable) as caught:
        unpack(data)
    unpacked = " once unpacked" if data else ""
    assert str(caught.value) == (
        f"is empty{unpacked}: whatever wrote the dump failed; make it again"
    )


@pytest.mark.parametrize("wrapping", ["gzip", "xz", "zstd"])
def test_several_streams_in_one_file_are_one_dump(wrapping: str) -> None:
    pack = PACKERS[wrapping]
    assert unpack(pack(b"dawn ") + pack(IMAGE) + pack(b" dusk")) == b"dawn " + IMAGE + b" dusk"


def test_zeros_behind_an_xz_stream_are_padding() -> None:
    # .xz file format 1.2, section 2.2 "Stream Padding": a multiple of four zero bytes
    packed = lzma.compress(b"dawn") + bytes(4) + lzma.compress(b"dusk") + bytes(1 << 17)
    assert unpack(packed) == b"dawndusk"


def test_a_skippable_zstd_frame_is_skipped() -> None:
    # RFC 8878 section 3.1.2: magic 0x184D2A50 to 0x184D2A5F, a 32-bit size, data to skip
    skippable = bytes.fromhex("532a4d18") + (5).to_bytes(4, "little") + b"notes"
    assert unpack(skippable + zstandard.compress(IMAGE)) == IMAGE


@every_wrapping
def test_only_documented_errors_escape_from_damaged_archives(wrapping: str) -> None:
    rng = random.Random(wrapping)
    packed = PACKERS[wrapping](b"the lamp is lit " * 40 + rng.randbytes(200))
    for _ in range(400):
        damaged = bytearray(packed)
        for _ in range(rng.randint(1, 8)):
            damaged[rng.randrange(len(damaged))] = rng.randrange(256)
        if rng.random() < 0.3:
            del damaged[rng.randrange(len(damaged)) :]
        refusal = ""
        unpacked = b""
        try:
            unpacked = unpack(bytes(damaged), max_size=MIB)
        except SourceUnusable as fault:
            refusal = str(fault)
        assert refusal or 0 < len(unpacked) <= MIB


def test_a_dictionary_that_takes_more_than_the_limit_is_told_of() -> None:
    filters = [{"id": lzma.FILTER_LZMA2, "dict_size": 128 * MIB}]
    with pytest.raises(SourceUnusable) as caught:
        unpack(lzma.compress(IMAGE, filters=filters))
    assert str(caught.value) == (
        "xz: expected a dictionary of at most 64 MiB, found a larger one: pack the dump again"
    )


@pytest.mark.needs("zstd", "zstd")
def test_a_window_that_takes_more_than_the_limit_is_told_of() -> None:
    """Outside source: the zstd program, which takes the window that it is told to."""
    packed = subprocess.run(
        ["zstd", "--long=27", "-c"], input=IMAGE, stdout=subprocess.PIPE, check=True
    ).stdout
    with pytest.raises(SourceUnusable) as caught:
        unpack(packed)
    assert str(caught.value) == (
        "zstd: expected a window of at most 64 MiB, found a larger one: pack the dump again "
        "without --long or --ultra"
    )


@pytest.mark.parametrize("method", [zipfile.ZIP_STORED, zipfile.ZIP_BZIP2, zipfile.ZIP_LZMA])
@pytest.mark.parametrize("data", [b"", b"T", IMAGE])
def test_every_method_of_zip_comes_off(method: int, data: bytes) -> None:
    """Outside source: the standard library's zipfile packs it."""
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", method) as archive:
        archive.writestr("ram.bin", data)
    if data:
        assert unpack(stream.getvalue()) == data
    else:
        with pytest.raises(SourceUnusable, match=r"^is empty once unpacked: "):
            unpack(stream.getvalue())


@pytest.mark.parametrize("method", [zipfile.ZIP_BZIP2, zipfile.ZIP_LZMA])
def test_a_damaged_member_is_an_error_wherever_it_is_damaged(method: int) -> None:
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", method) as archive:
        archive.writestr("ram.bin", IMAGE)
    packed = stream.getvalue()
    for at in range(4, len(packed) - 22, len(packed) // 97):
        damaged = bytearray(packed)
        damaged[at] ^= 0x55
        try:
            assert unpack(bytes(damaged)) == IMAGE  # a date, say
        except SourceUnusable as fault:
            assert str(fault).startswith(("zip: ", "expected at most 16777216 bytes"))  # noqa: PT017


def test_another_method_of_zip_is_named() -> None:
    archive = bytearray(zip_one(b"image"))
    for place in (8, archive.index(b"PK\x01\x02") + 10):
        archive[place] = 98  # PPMd (PKWARE APPNOTE 4.4.5)
    with pytest.raises(SourceUnusable) as caught:
        unpack(bytes(archive))
    assert str(caught.value) == (
        "zip: expected a file packed by store, deflate, bzip2, LZMA, found method 98"
    )
