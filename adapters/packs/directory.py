"""A zip archive's directory, read strictly: what is unusual is refused before a byte is unpacked.

An archive that somebody sends may lead two programs to see two things: names that mean another file
here, files that share bytes, sizes that differ between directory and file.  A pack has no need of
any of it.  Numbers are those of PKWARE's APPNOTE.TXT 6.3.9: 4.3.7 a file's own head, 4.3.12 the
directory, 4.3.16 its end, 4.4 the fields; modes of files are those of POSIX in the upper half of
the external attributes, as Unix programs write them.
"""

from __future__ import annotations

import io
import struct
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from typing import BinaryIO

from schemas.pack_manifest import MAX_MEMBERS, MAX_TOTAL
from schemas.portable_names import portable_fault, same_everywhere

__all__ = ["MAX_RATIO", "Entry", "UnsafeArchive", "read_directory", "unpacked_chunks"]

_CHUNK_SIZE = 1 << 16
MAX_RATIO = 200
"""How many times its packed bytes a file may have."""
_FREE_OF_RATIO = 1 << 16
_MAX_ENTRIES = MAX_MEMBERS + 64  # folders have entries, too

_END = struct.Struct("<4s4H2IH")
_CENTRAL = struct.Struct("<4s6H3I5H2I")
_LOCAL = struct.Struct("<4s5H3I2H")
_UTF_8, _DESCRIPTOR, _SPEED = 0x0800, 0x0008, 0x0006
_ENCRYPTED = 0x2041
_LONG, _OTHER_NAME = 0x0001, 0x7075
_STORED, _DEFLATED = 0, 8
_FOLDER, _FILE = 0o040000, 0o100000
_KINDS = {0o120000: "a link", 0o010000: "a pipe", 0o020000: "a device", 0o060000: "a device",
          0o140000: "a socket"}  # fmt: skip
_REPARSE_POINT, _DOS_FOLDER = 0x400, 0x10

_AGAIN = "copy or download it again"


class UnsafeArchive(Exception):
    """An archive is damaged, or holds what no pack has; ``member`` is the file in it, if any."""

    def __init__(self, message: str, member: str = "") -> None:
        self.member = member
        super().__init__(message)


@dataclass(frozen=True, slots=True)
class Entry:
    """A file in an archive: where its packed bytes are, and what they unpack to."""

    path: str
    offset: int
    packed: int
    size: int
    checksum: int
    deflated: bool


@dataclass(frozen=True, slots=True)
class _Listed:
    entry: Entry
    name: bytes
    flags: int
    method: int


def read_directory(stream: BinaryIO) -> list[Entry]:
    """Every file in an archive, in the directory's order; folders are left out.

    Raises UnsafeArchive, and OSError.
    """
    size = stream.seek(0, io.SEEK_END)
    stream.seek(0)
    if stream.read(4) not in (b"PK\3\4", b"PK\5\6"):
        raise UnsafeArchive("is no zip archive")
    if size > 2 * MAX_TOTAL:
        raise UnsafeArchive(f"has {size} bytes, more than any pack")
    start, length, count = _end(stream, size)
    stream.seek(start)
    directory = stream.read(length)
    listed = list(_listed(directory, count))
    if sum(each.entry.size for each in listed) > MAX_TOTAL + (1 << 20):
        raise UnsafeArchive(f"would unpack to more than {MAX_TOTAL} bytes")
    placed = [_placed(stream, each, start) for each in listed]
    _refuse_overlaps(placed, listed)
    files = [each for each in placed if not each.path.endswith("/")]
    _refuse_twice(placed)
    return files


def unpacked_chunks(stream: BinaryIO, entry: Entry) -> Iterator[bytes]:
    """A file's bytes, never more than its size.  Raises UnsafeArchive, and OSError."""
    stream.seek(entry.offset)
    checksum = size = 0
    for chunk in _inflated(stream, entry) if entry.deflated else _packed(stream, entry):
        checksum, size = zlib.crc32(chunk, checksum), size + len(chunk)
        if size > entry.size:
            break
        yield chunk
    if (checksum, size) != (entry.checksum, entry.size):
        raise UnsafeArchive(
            f"is damaged: its size or its checksum is not as the archive says; {_AGAIN}", entry.path
        )


def _packed(stream: BinaryIO, entry: Entry) -> Iterator[bytes]:
    left = entry.packed
    while left and (chunk := stream.read(min(_CHUNK_SIZE, left))):
        left -= len(chunk)
        yield chunk


def _inflated(stream: BinaryIO, entry: Entry) -> Iterator[bytes]:
    inflater = zlib.decompressobj(-zlib.MAX_WBITS)
    try:
        for chunk in _packed(stream, entry):
            if inflater.eof:
                raise _misfit(entry)
            rest = chunk
            while rest and not inflater.eof:
                yield inflater.decompress(rest, _CHUNK_SIZE)
                rest = inflater.unconsumed_tail
        while not inflater.eof and (last := inflater.decompress(b"", _CHUNK_SIZE)):
            yield last
    except zlib.error as fault:
        raise UnsafeArchive(f"is damaged ({fault}); {_AGAIN}", entry.path) from fault
    if not inflater.eof or inflater.unused_data:
        raise _misfit(entry)


def _misfit(entry: Entry) -> UnsafeArchive:
    words = f"is damaged: its packed bytes do not end where they should; {_AGAIN}"
    return UnsafeArchive(words, entry.path)


def _end(stream: BinaryIO, size: int) -> tuple[int, int, int]:
    """Where the directory is, its length and its count of entries."""
    if size < _END.size:
        raise UnsafeArchive(f"is cut off: it has {size} bytes; {_AGAIN}")
    stream.seek(size - _END.size)
    mark, disk, first_disk, here, count, length, start, comment = _END.unpack(stream.read())
    if mark != b"PK\5\6" or comment:
        raise UnsafeArchive(
            f"does not end as a zip archive does: it is cut off, or something stands behind it; "
            f"{_AGAIN}"
        )
    if 0xFFFF in (here, count) or 0xFFFF_FFFF in (length, start):
        raise UnsafeArchive("is in the form for archives of over 4 GiB (zip64), which no pack is")
    if disk or first_disk or here != count:
        raise UnsafeArchive("is one part of an archive in several files")
    if count > _MAX_ENTRIES:
        raise UnsafeArchive(f"holds {count} files, more than the {MAX_MEMBERS} of a pack")
    if start + length != size - _END.size:
        raise UnsafeArchive(
            f"is damaged: its directory is not where its end says that it is; {_AGAIN}"
        )
    return start, length, count


def _listed(directory: bytes, count: int) -> Iterator[_Listed]:
    at = 0
    for _ in range(count):
        if at + _CENTRAL.size > len(directory):
            raise UnsafeArchive(f"is damaged: its directory ends in the middle; {_AGAIN}")
        fields = _CENTRAL.unpack_from(directory, at)
        mark, _, _, flags, method, _, _, checksum, packed, size = fields[:10]
        name_length, extra_length, comment_length, disk, _, attributes, offset = fields[10:]
        at += _CENTRAL.size
        name = directory[at : at + name_length]
        extra = directory[at + name_length : at + name_length + extra_length]
        at += name_length + extra_length + comment_length
        if mark != b"PK\1\2" or at > len(directory):
            raise UnsafeArchive(f"is damaged: its directory ends in the middle; {_AGAIN}")
        path = _path(name, flags)
        _refuse_unusual(path, flags, method, packed, size, extra, disk)
        _refuse_special(path, attributes)
        entry = Entry(path, offset, packed, size, checksum, method == _DEFLATED)
        yield _Listed(entry, name, flags, method)
    if at != len(directory):
        raise UnsafeArchive(f"is damaged: its directory is longer than its entries; {_AGAIN}")


def _path(name: bytes, flags: int) -> str:
    try:
        path = name.decode("utf-8" if flags & _UTF_8 else "ascii")
    except UnicodeDecodeError:
        shown = name.decode("utf-8", "backslashreplace")
        raise UnsafeArchive("its name is in letters that are read in several ways", shown) from None
    if fault := portable_fault(path.removesuffix("/")):
        raise UnsafeArchive(fault, path)
    return path


def _refuse_unusual(
    path: str, flags: int, method: int, packed: int, size: int, extra: bytes, disk: int
) -> None:
    if flags & _ENCRYPTED:
        raise UnsafeArchive("is encrypted, which no pack is", path)
    if flags & ~(_UTF_8 | _DESCRIPTOR | _SPEED):
        raise UnsafeArchive(f"is packed in a way that no pack is (flags 0x{flags:04X})", path)
    if method not in (_STORED, _DEFLATED):
        raise UnsafeArchive(f"is packed by method {method}, expected 0 (stored) or 8", path)
    if 0xFFFF_FFFF in (packed, size) or disk:
        raise UnsafeArchive(
            "is in the form for archives of over 4 GiB (zip64), which no pack is", path
        )
    for kind in _extras(extra):
        if kind == _LONG:
            raise UnsafeArchive(
                "is in the form for archives of over 4 GiB (zip64), which no pack is", path
            )
        if kind == _OTHER_NAME:
            raise UnsafeArchive("has a second name, which other programs would take", path)
    if method == _STORED and packed != size:
        raise UnsafeArchive(f"is stored as it is, in {packed} bytes, and has {size}", path)
    if size > MAX_RATIO * packed + _FREE_OF_RATIO:
        raise UnsafeArchive(
            f"would unpack to {size} bytes from {packed}, more than {MAX_RATIO} times as many", path
        )
    if path.endswith("/") and size:
        raise UnsafeArchive("is a folder, and has bytes", path)


def _extras(extra: bytes) -> Iterator[int]:
    at = 0
    while at + 4 <= len(extra):
        kind, length = struct.unpack_from("<HH", extra, at)
        yield kind
        at += 4 + length


def _refuse_special(path: str, attributes: int) -> None:
    kind = attributes >> 16 & 0o170000
    folder = path.endswith("/")
    if kind in _KINDS or attributes & _REPARSE_POINT:
        raise UnsafeArchive(f"is {_KINDS.get(kind, 'a link')}, expected a file", path)
    if kind not in (0, _FOLDER if folder else _FILE) or (attributes & _DOS_FOLDER and not folder):
        raise UnsafeArchive("is no plain file", path)


def _placed(stream: BinaryIO, listed: _Listed, end: int) -> Entry:
    """The entry with the offset of its bytes, by the head before them, which must say the same."""
    entry = listed.entry
    stream.seek(entry.offset)
    head = stream.read(_LOCAL.size)
    if len(head) < _LOCAL.size or head[:4] != b"PK\3\4":
        raise UnsafeArchive(f"is not where the archive's directory says; {_AGAIN}", entry.path)
    _, _, flags, method, _, _, checksum, packed, size, name_length, extra_length = _LOCAL.unpack(
        head
    )
    name, extra = stream.read(name_length), stream.read(extra_length)
    told = (checksum, packed, size)
    expected = {(entry.checksum, entry.packed, entry.size)}
    if flags & _DESCRIPTOR:
        expected.add((0, 0, 0))
    if (name, flags, method) != (listed.name, listed.flags, listed.method) or told not in expected:
        raise UnsafeArchive(
            "is told of in two ways, by the archive's directory and by its own head: it is "
            f"damaged, or made to deceive; {_AGAIN}",
            entry.path,
        )
    for kind in _extras(extra):
        if kind in (_LONG, _OTHER_NAME):
            raise UnsafeArchive("has a second name or size, which other programs take", entry.path)
    offset = entry.offset + _LOCAL.size + name_length + extra_length
    if offset + entry.packed > end:
        raise UnsafeArchive(f"does not end before the archive's directory; {_AGAIN}", entry.path)
    return Entry(entry.path, offset, entry.packed, entry.size, entry.checksum, entry.deflated)


def _refuse_overlaps(placed: list[Entry], listed: list[_Listed]) -> None:
    """Files that share bytes are how a small archive unpacks to endless ones."""
    rows = sorted(zip(placed, listed, strict=True), key=lambda row: row[1].entry.offset)
    for (before, _), (entry, told) in pairwise(rows):
        if told.entry.offset < before.offset + before.packed:
            raise UnsafeArchive(f"shares bytes with {before.path}", entry.path)


def _refuse_twice(placed: list[Entry]) -> None:
    seen: dict[str, str] = {}
    for entry in placed:
        folded = same_everywhere(entry.path.removesuffix("/"))
        if folded in seen:
            raise UnsafeArchive(f"and {seen[folded]} are one file on some systems", entry.path)
        seen[folded] = entry.path
    for entry in placed:
        above = entry.path.removesuffix("/").rpartition("/")[0]
        while above:
            if (found := seen.get(same_everywhere(above))) and not found.endswith("/"):
                raise UnsafeArchive(f"lies in {found}, which is a file", entry.path)
            above = above.rpartition("/")[0]
