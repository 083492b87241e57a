"""One file out of a zip archive, unpacked chunk by chunk.

The archive's directory is read by ``zipfile``; what is packed in it is taken as it stands and
unpacked here, since ``zipfile`` unpacks bzip2, LZMA and zstd without a limit: 2 KiB may become
gigabytes before the first byte of it is seen.  (Numbers from PKWARE's APPNOTE.TXT 6.3.9, 4.3 for
the records, 4.4.5 for the methods, 5.8 for LZMA.)
"""

from __future__ import annotations

import bz2
import copy
import io
import lzma
import struct
import zipfile
import zlib
from collections.abc import Callable, Iterator
from typing import BinaryIO

from adapters.dumps.collecting import CHUNK_SIZE, chunks_of
from adapters.dumps.xz_stream import MEMORY_LIMIT, TOO_LARGE, wants_too_much
from schemas.errors import SourceUnusable

__all__ = ["MAX_DIRECTORY", "unzip"]

MAX_DIRECTORY = 1 << 20
"""Bytes of an archive's directory; each of its files takes 46 and its name."""

_SHOWN = 20
_ENCRYPTED = 0x01
_ENDS_WITH_A_MARK = 0x02
"""In the flags of a file that is packed by LZMA."""
_END = struct.Struct("<4s4H2IH")
_LONG_END_PLACE = struct.Struct("<4sIQI")
_LONG_END = struct.Struct("<4sQ2H2I4Q")

_CUT_OFF = "zip: the file in the archive is cut off before its end: copy or make the dump again"


def unzip(stream: BinaryIO, member: str = "") -> Iterator[bytes]:
    """The bytes of *member*, or of the only file in the archive.

    Raises SourceUnusable where there is no such file, where several are there and none is named,
    and where the archive is cut off, damaged, encrypted or packed in a way that is not known.
    """
    _refuse_long_directory(stream)
    try:
        with zipfile.ZipFile(stream) as archive:
            entry = _chosen(archive, member)
            _refuse_unknown(entry)
            packed = _as_it_stands(archive, entry)
            checksum, size = 0, 0
            for chunk in _unpackers[entry.compress_type](packed, entry):
                checksum, size = zlib.crc32(chunk, checksum), size + len(chunk)
                yield chunk
            if (checksum, size) != (entry.CRC, entry.file_size):
                raise SourceUnusable("zip: the archive is damaged: a checksum or a size is wrong")
    except RuntimeError as fault:
        # zipfile says "encrypted" with a bare RuntimeError
        raise SourceUnusable(f"zip: the archive cannot be unpacked ({fault})") from fault
    except SourceUnusable:
        raise
    except Exception as fault:
        if wants_too_much(fault):
            raise SourceUnusable(f"zip: {TOO_LARGE}") from fault
        # on damaged archives zipfile raises whatever its parser runs into, IndexError included
        raise SourceUnusable(f"zip: the archive is cut off or damaged ({fault})") from fault


def _refuse_long_directory(stream: BinaryIO) -> None:
    """``zipfile`` makes an object of each file in the directory, so a limit has to come before."""
    size = stream.seek(0, io.SEEK_END)
    stream.seek(max(0, size - (_END.size + _LONG_END_PLACE.size + _LONG_END.size + 0xFFFF)))
    tail = stream.read()
    stream.seek(0)
    at = tail.rfind(b"PK\5\6")
    if at < 0 or at + _END.size > len(tail):
        return  # zipfile has the words for it
    longest: int = _END.unpack_from(tail, at)[5]
    place = at - _LONG_END_PLACE.size
    if place >= 0 and tail[place : place + 4] == b"PK\6\7":
        if place >= _LONG_END.size:
            longest = max(longest, _LONG_END.unpack_from(tail, place - _LONG_END.size)[8])
        else:
            longest = MAX_DIRECTORY + 1
    if longest > MAX_DIRECTORY:
        raise SourceUnusable(
            f"zip: expected a directory of at most {MAX_DIRECTORY} bytes, found {longest}: "
            "take the dump out of the archive"
        )


def _chosen(archive: zipfile.ZipFile, member: str) -> zipfile.ZipInfo:
    files = [entry for entry in archive.infolist() if not entry.is_dir()]
    names = [entry.filename for entry in files]
    listed = ", ".join(names[:_SHOWN]) + (
        f" and {len(names) - _SHOWN} more" if len(names) > _SHOWN else ""
    )
    if not files:
        raise SourceUnusable("zip: the archive holds no file")
    if member:
        for entry in files:
            if entry.filename == member:
                return entry
        raise SourceUnusable(f'zip: expected the member "{member}", found {listed}')
    if len(files) > 1:
        raise SourceUnusable(
            f"zip: expected one file, found {len(files)}: name one with member = ({listed})"
        )
    return files[0]


def _refuse_unknown(entry: zipfile.ZipInfo) -> None:
    if entry.compress_type not in _unpackers:
        known = ", ".join(_NAMES.values())
        found = _NAMES.get(entry.compress_type, f"method {entry.compress_type}")
        raise SourceUnusable(f"zip: expected a file packed by {known}, found {found}")
    if entry.flag_bits & _ENCRYPTED:
        raise SourceUnusable("zip: the archive is encrypted: take the dump out of it")


def _as_it_stands(archive: zipfile.ZipFile, entry: zipfile.ZipInfo) -> Iterator[bytes]:
    """The packed bytes of a file in the archive."""
    stored = copy.copy(entry)
    # what zipfile takes for stored it gives as it stands; the checksum is of what is unpacked
    stored.compress_type, stored.file_size = zipfile.ZIP_STORED, entry.compress_size
    del stored.CRC
    with archive.open(stored) as packed:
        yield from chunks_of(packed)


def _store(packed: Iterator[bytes], entry: zipfile.ZipInfo) -> Iterator[bytes]:
    return packed


def _inflate(packed: Iterator[bytes], entry: zipfile.ZipInfo) -> Iterator[bytes]:
    inflater = zlib.decompressobj(-zlib.MAX_WBITS)
    for chunk in packed:
        rest = chunk
        while rest and not inflater.eof:
            yield inflater.decompress(rest, CHUNK_SIZE)
            rest = inflater.unconsumed_tail
    while not inflater.eof and (last := inflater.decompress(inflater.unconsumed_tail, CHUNK_SIZE)):
        yield last
    if not inflater.eof:
        raise SourceUnusable(_CUT_OFF)


def _unbzip2(packed: Iterator[bytes], entry: zipfile.ZipInfo) -> Iterator[bytes]:
    return _by(bz2.BZ2Decompressor(), packed)


def _unlzma(packed: Iterator[bytes], entry: zipfile.ZipInfo) -> Iterator[bytes]:
    """LZMA in a zip has a head of its own; that of ``.lzma`` files takes a limit of memory."""
    first = next(packed, b"")
    if len(first) < 9 or first[2:4] != b"\5\0":
        raise SourceUnusable("zip: the archive is damaged: its LZMA head is cut off or unknown")
    size = (1 << 64) - 1 if entry.flag_bits & _ENDS_WITH_A_MARK else entry.file_size
    decoder = lzma.LZMADecompressor(lzma.FORMAT_ALONE, memlimit=MEMORY_LIMIT)

    def alone() -> Iterator[bytes]:
        yield first[4:9] + struct.pack("<Q", size) + first[9:]
        yield from packed

    return _by(decoder, alone())


def _by(
    decoder: bz2.BZ2Decompressor | lzma.LZMADecompressor, packed: Iterator[bytes]
) -> Iterator[bytes]:
    while not decoder.eof:
        chunk = next(packed, b"") if decoder.needs_input else b""
        if decoder.needs_input and not chunk:
            raise SourceUnusable(_CUT_OFF)
        yield decoder.decompress(chunk, CHUNK_SIZE)


_NAMES = {
    zipfile.ZIP_STORED: "store",
    zipfile.ZIP_DEFLATED: "deflate",
    zipfile.ZIP_BZIP2: "bzip2",
    zipfile.ZIP_LZMA: "LZMA",
}
_unpackers: dict[int, Callable[[Iterator[bytes], zipfile.ZipInfo], Iterator[bytes]]] = {
    zipfile.ZIP_STORED: _store,
    zipfile.ZIP_DEFLATED: _inflate,
    zipfile.ZIP_BZIP2: _unbzip2,
    zipfile.ZIP_LZMA: _unlzma,
}
