"""gzip (RFC 1952), unpacked chunk by chunk."""

from __future__ import annotations

import gzip
import zlib
from collections.abc import Iterator
from typing import BinaryIO

from adapters.dumps.collecting import CHUNK_SIZE
from schemas.errors import SourceUnusable

__all__ = ["gunzip"]


def gunzip(stream: BinaryIO) -> Iterator[bytes]:
    """All members of a gzip file.  Raises SourceUnusable where it is cut off or damaged."""
    with gzip.GzipFile(fileobj=stream, mode="rb") as unpacked:
        while True:
            try:
                chunk = unpacked.read(CHUNK_SIZE)
            except EOFError as fault:
                raise SourceUnusable(
                    "gzip: the stream is cut off before its end: copy or make the dump again"
                ) from fault
            except (gzip.BadGzipFile, zlib.error) as fault:
                raise SourceUnusable(f"gzip: the stream is damaged ({fault})") from fault
            if not chunk:
                return
            yield chunk
