"""xz (the .xz file format 1.2), unpacked chunk by chunk."""

from __future__ import annotations

import lzma
from collections.abc import Iterator
from typing import BinaryIO

from adapters.dumps.collecting import CHUNK_SIZE
from schemas.errors import SourceUnusable

__all__ = ["MEMORY_LIMIT", "TOO_LARGE", "unxz", "wants_too_much"]

MEMORY_LIMIT = 66 << 20
"""Bytes that the decoder may take for its dictionary; ``xz -9`` needs 65 MiB."""
TOO_LARGE = "expected a dictionary of at most 64 MiB, found a larger one: pack the dump again"


def unxz(stream: BinaryIO) -> Iterator[bytes]:
    """All streams of an xz file, with zeros between them as padding.

    Raises SourceUnusable where it is cut off, damaged, or wants more than MEMORY_LIMIT.
    """
    packed = b""
    try:
        while packed := packed.lstrip(b"\0") or _after_padding(stream):
            decoder = lzma.LZMADecompressor(lzma.FORMAT_XZ, memlimit=MEMORY_LIMIT)
            while not decoder.eof:
                if decoder.needs_input and not packed:
                    packed = stream.read(CHUNK_SIZE)
                    if not packed:
                        raise SourceUnusable(
                            "xz: the stream is cut off before its end: copy or make the dump again"
                        )
                yield decoder.decompress(packed, CHUNK_SIZE)
                packed = b""
            packed = decoder.unused_data
    except (lzma.LZMAError, MemoryError) as fault:
        if wants_too_much(fault):
            raise SourceUnusable(f"xz: {TOO_LARGE}") from fault
        raise SourceUnusable(f"xz: the stream is damaged ({fault})") from fault


def wants_too_much(error: Exception) -> bool:
    """Whether the decoder refused for MEMORY_LIMIT, which it says in words alone."""
    return "memory usage limit" in str(error).lower()


def _after_padding(stream: BinaryIO) -> bytes:
    while packed := stream.read(CHUNK_SIZE):
        if rest := packed.lstrip(b"\0"):
            return rest
    return b""
