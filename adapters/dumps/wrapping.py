"""What is wrapped around a dump, told by its first bytes, and how it is taken off."""

from __future__ import annotations

import io
from collections.abc import Iterable
from typing import BinaryIO

from adapters.dumps.collecting import chunks_of, collect
from schemas.errors import SourceUnusable

__all__ = ["MAX_DEPTH", "unwrap", "wrapping_of"]

MAX_DEPTH = 2
"""Wrappings taken off, one inside the other, before a dump is refused."""


def wrapping_of(head: bytes) -> str | None:
    """``gzip``, ``xz``, ``zstd`` or ``zip`` by the first 6 bytes; None for anything else."""
    if head[:3] == b"\x1f\x8b\x08":
        return "gzip"
    if head[:6] == b"\xfd7zXZ\0":
        return "xz"
    # 0x184D2A5x, little endian, begins a skippable frame (RFC 8878, 3.1.2)
    if head[:4] == b"\x28\xb5\x2f\xfd" or (head[1:4] == b"\x2a\x4d\x18" and head[0] >> 4 == 5):
        return "zstd"
    if head[:4] in (b"PK\x03\x04", b"PK\x05\x06"):
        return "zip"
    return None


def unwrap(
    stream: BinaryIO,
    *,
    max_size: int,
    member: str = "",
    most: int | None = None,
    taken: list[str] | None = None,
) -> bytes:
    """The dump's own bytes, out of at most MAX_DEPTH wrappings.

    With *most* only so many are taken off, and what is in them is given whatever it is.  *taken*
    gets the names of those that were taken off, the innermost first, also where one is damaged.

    *stream* must be seekable.  Raises SourceUnusable where a wrapping is cut off or damaged, where
    what is in it exceeds *max_size* bytes (with what is in a wrapping inside it), and where nothing
    is in it.
    """
    taken = [] if taken is None else taken
    outer: bytes | None = None
    while most is None or len(taken) < most:
        head = stream.read(6)
        stream.seek(0)
        wrapping = wrapping_of(head)
        if wrapping is None:
            break
        if len(taken) == MAX_DEPTH:
            raise SourceUnusable(
                f"expected at most {MAX_DEPTH} wrappings, found {' in '.join([wrapping, *taken])}"
            )
        taken.insert(0, wrapping)
        outer = collect(_unpacked(wrapping, stream, member), max_size, held=len(outer or b""))
        stream = io.BytesIO(outer)
    if most is None and member and "zip" not in taken:
        raise SourceUnusable(f'expected a zip archive that holds "{member}", found none')
    data = outer if outer is not None else collect(chunks_of(stream), max_size)
    if not data:
        unpacked = " once unpacked" if taken else ""
        raise SourceUnusable(f"is empty{unpacked}: whatever wrote the dump failed; make it again")
    return data


def _unpacked(wrapping: str, stream: BinaryIO, member: str) -> Iterable[bytes]:
    # each is loaded where it is met: most dumps have one wrapping or none
    match wrapping:
        case "zip":
            from adapters.dumps.zip_member import unzip

            return unzip(stream, member)
        case "gzip":
            from adapters.dumps.gzip_stream import gunzip

            return gunzip(stream)
        case "xz":
            from adapters.dumps.xz_stream import unxz

            return unxz(stream)
        case _:
            from adapters.dumps.zstd_stream import unzstd

            return unzstd(stream)
