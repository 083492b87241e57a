"""Bytes gathered up to a limit, which is checked as they come.

All that unpacking holds at one time counts against one limit: what a wrapping gave, what came out
of a second one inside, the text of a dump and the bytes that it spells.
"""

from __future__ import annotations

import io
from collections.abc import Iterable
from typing import IO

from schemas.errors import SourceUnusable

__all__ = ["CHUNK_SIZE", "chunks_of", "collect", "over"]

CHUNK_SIZE = 1 << 16


def collect(chunks: Iterable[bytes], limit: int, *, held: int = 0) -> bytes:
    """All chunks as one.

    Raises SourceUnusable as soon as they exceed *limit* bytes, together with those *held* already.
    """
    whole = io.BytesIO()
    for chunk in chunks:
        whole.write(chunk)
        if held + whole.tell() > limit:
            raise over(limit)
    return whole.getvalue()


def over(limit: int) -> SourceUnusable:
    """The error for a dump that takes more than *limit* bytes."""
    return SourceUnusable(
        f"expected at most {limit} bytes once unpacked, found more: a damaged or hostile "
        "archive, or max_size is too small"
    )


def chunks_of(stream: IO[bytes]) -> Iterable[bytes]:
    """The stream as it stands, chunk by chunk."""
    while chunk := stream.read(CHUNK_SIZE):
        yield chunk
