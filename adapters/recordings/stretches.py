"""The messages of a group of frames as arrays: nothing is made for each span of memory."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from adapters.recordings.chunk import ChunkMessage
from adapters.recordings.frame_message import CONSISTENCIES, HEAD, IN_PART, KINDS, decode
from bridge.querying.stretch import Ints, Spans, Stretch

__all__ = ["stretch_of"]

_SPAN = np.dtype([("address", "<u8"), ("length", "<u4")])


def stretch_of(messages: Sequence[ChunkMessage]) -> Stretch:
    """The frames that messages hold.  Raises ValueError where one is damaged."""
    data = np.frombuffer(b"".join([message.data for message in messages]), np.uint8)
    sizes = np.array([len(message.data) for message in messages], np.int64)
    numbers: list[int] = []
    counts: list[tuple[int, int]] = []
    in_part: list[bool] = []
    for message in messages:
        if len(message.data) < HEAD.size:
            raise _damaged(messages)
        kind, consistency, flags, parts, gone, _, number = HEAD.unpack_from(message.data)
        if kind not in KINDS or consistency >= len(CONSISTENCIES):
            raise _damaged(messages)
        numbers.append(number)
        counts.append((parts, gone))
        in_part.append(bool(flags & IN_PART))
    table = np.array(counts, np.int64).reshape(-1, 2)
    spans = table.sum(axis=1)
    begin = np.cumsum(sizes) - sizes
    bytes_at = begin + HEAD.size + spans * _SPAN.itemsize
    if (bytes_at > begin + sizes).any():
        raise _damaged(messages)
    frame = np.repeat(np.arange(len(messages), dtype=np.int64), spans)
    place = _within(spans, frame)
    address, length = _spans(data, begin[frame] + HEAD.size + place * _SPAN.itemsize)
    is_part = place < table[frame, 0]
    parts_of = frame[is_part]
    part_length = length[is_part]
    filled = np.bincount(parts_of, part_length, len(messages)).astype(np.int64)
    if (bytes_at + filled != begin + sizes).any():
        raise _damaged(messages)
    before = np.cumsum(part_length) - part_length
    of_frame = np.cumsum(filled) - filled
    offset = bytes_at[parts_of] + before - of_frame[parts_of]
    gone = ~is_part
    none = np.zeros(int(gone.sum()), np.int64)
    return Stretch(
        numbers,
        np.array([message.time for message in messages], np.int64),
        np.array(in_part, np.bool_),
        Spans(parts_of, address[is_part], part_length, offset),
        Spans(frame[gone], address[gone], length[gone], none),
        data,
    )


def _within(counts: Ints, owner: Ints) -> Ints:
    """The place of each of a row of things among those of its owner."""
    first = np.cumsum(counts) - counts
    return np.arange(len(owner), dtype=np.int64) - first[owner]


def _spans(data: NDArray[np.uint8], at: Ints) -> tuple[Ints, Ints]:
    """Address and length of the spans that stand at these offsets."""
    rows = data[at[:, None] + np.arange(_SPAN.itemsize)]
    found = np.ascontiguousarray(rows).view(_SPAN).reshape(-1)
    return found["address"].astype(np.int64), found["length"].astype(np.int64)


def _damaged(messages: Sequence[ChunkMessage]) -> ValueError:
    """What is wrong, in the words of the reader of one message."""
    try:
        for message in messages:
            decode(message.data, message.time)
    except ValueError as fault:
        return fault
    return ValueError("a frame is damaged")
