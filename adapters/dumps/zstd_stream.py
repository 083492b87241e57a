"""zstd (RFC 8878), unpacked chunk by chunk."""

from __future__ import annotations

from collections.abc import Iterator
from typing import BinaryIO

import zstandard

from schemas.errors import SourceUnusable

__all__ = ["FEED_SIZE", "MAX_WINDOW_SIZE", "unzstd"]

FEED_SIZE = 256
"""Packed bytes handed over at once.

The library unpacks all it is given in one go.  A block takes at least 4 bytes and gives at most
128 KiB, so 256 bytes give at most 8 MiB before the size is looked at.
"""
MAX_WINDOW_SIZE = 1 << 26


def unzstd(stream: BinaryIO) -> Iterator[bytes]:
    """All frames of a zstd file.

    Raises SourceUnusable where it is cut off or damaged.  The library's own stream reader returns
    what it has of a frame that is cut off, without an error; hence the end of each frame is asked
    for here.
    """
    unpacker = zstandard.ZstdDecompressor(max_window_size=MAX_WINDOW_SIZE)
    packed = stream.read(FEED_SIZE)
    while packed:
        frame = unpacker.decompressobj()
        while True:
            try:
                chunk = frame.decompress(packed)
            except (zstandard.ZstdError, MemoryError) as fault:
                if "too much memory" in str(fault):
                    raise SourceUnusable(
                        "zstd: expected a window of at most 64 MiB, found a larger one: pack the "
                        "dump again without --long or --ultra"
                    ) from fault
                raise SourceUnusable(f"zstd: the stream is damaged ({fault})") from fault
            yield chunk
            if frame.eof:
                packed = frame.unused_data or stream.read(FEED_SIZE)
                break
            packed = stream.read(FEED_SIZE)
            if not packed:
                raise SourceUnusable(
                    "zstd: the stream is cut off before its end: copy or make the dump again"
                )
