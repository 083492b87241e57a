"""Bytes gathered up to a limit, which is checked as they come."""

from __future__ import annotations

from collections.abc import Iterable
from typing import BinaryIO

from schemas.errors import SourceUnusable

CHUNK_SIZE = 1 << 16


def collect(chunks: Iterable[bytes], limit: int) -> bytes:
    """All chunks as one; raises SourceUnusable as soon as they exceed *limit* bytes."""
    whole = bytearray()
    for chunk in chunks:
        whole += chunk
        if len(whole) > limit:
            raise SourceUnusable(
                f"expected at most {limit} bytes once unpacked, found more: a damaged or hostile "
                "archive, or max_size is too small"
            )
    return bytes(whole)


def chunks_of(stream: BinaryIO) -> Iterable[bytes]:
    """The stream as it stands, chunk by chunk."""
    while chunk := stream.read(CHUNK_SIZE):
        yield chunk
