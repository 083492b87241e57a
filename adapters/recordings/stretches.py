"""The frames in a chunk as arrays: nothing is made for each span of memory."""

from __future__ import annotations

import struct

import numpy as np

from adapters.recordings import chunk
from adapters.recordings.frame_message import (
    CONSISTENCIES,
    HEAD,
    IN_PART,
    KINDS,
    MAX_SPANS,
    FrameKind,
    RecordedFrame,
    decode,
)
from bridge.memory.address_map import Span
from bridge.ports.source import Consistency
from bridge.querying.stretch import Ints, Spans, Stretch

__all__ = ["last_written", "stretch_of"]

_SPAN = np.dtype([("address", "<u8"), ("length", "<u4")])
_MESSAGE = struct.Struct("<HIQQ")


def stretch_of(data: memoryview, channel: int, first: int = 0, last: int | None = None) -> Stretch:
    """The frames that messages *first* to *last* of a channel hold, in a chunk's records.

    Raises ValueError where one is damaged.
    """
    numbers: list[int] = []
    times: list[int] = []
    in_part: list[bool] = []
    counts: list[tuple[int, int]] = []
    bounds: list[tuple[int, int]] = []
    tables: list[memoryview] = []
    at, place, size = 0, 0, len(data)
    records = total = 0
    while at < size:
        if at + chunk.RECORD.size > size:
            raise ValueError("a record is cut off")
        opcode, length = chunk.RECORD.unpack_from(data, at)
        begin = at + chunk.RECORD.size
        at = begin + length
        if at > size:
            raise ValueError("a record is cut off")
        records += 1
        if records > chunk.MAX_RECORDS:
            raise ValueError(f"it holds more than {chunk.MAX_RECORDS} records")
        if opcode != chunk.MESSAGE:
            continue
        if length < _MESSAGE.size:
            raise ValueError("a message is cut off")
        of_channel, _, time, _ = _MESSAGE.unpack_from(data, begin)
        if of_channel != channel:
            continue
        place += 1
        if place <= first or (last is not None and place > last):
            continue
        begin += _MESSAGE.size
        sound = at - begin >= HEAD.size
        if sound:
            kind, consistency, flags, parts, gone, _, number = HEAD.unpack_from(data, begin)
            bytes_at = begin + HEAD.size + (parts + gone) * _SPAN.itemsize
            sound = kind in KINDS and consistency < len(CONSISTENCIES) and bytes_at <= at
        if not sound:
            raise _damaged(data[begin:at])
        numbers.append(number)
        times.append(time)
        in_part.append(bool(flags & IN_PART))
        counts.append((parts, gone))
        total += parts + gone
        if total > MAX_SPANS:
            raise ValueError(f"frames of more than {MAX_SPANS} spans")
        bounds.append((bytes_at, at))
        tables.append(data[begin + HEAD.size : bytes_at])
    spans = np.frombuffer(b"".join(tables), _SPAN)
    parts_of, gone_of = np.array(counts, np.int64).reshape(-1, 2).T
    starts, ends = np.array(bounds, np.int64).reshape(-1, 2).T
    frame = np.repeat(np.arange(len(numbers)), parts_of + gone_of)
    is_gone = _place_of_each(parts_of + gone_of) >= parts_of[frame]
    length_of = spans["length"].astype(np.int64)
    part_length = np.where(is_gone, 0, length_of)
    before = np.cumsum(part_length) - part_length
    filled = np.bincount(frame, part_length, len(numbers)).astype(np.int64)
    wrong = np.flatnonzero(starts + filled != ends)
    if len(wrong):
        begin = int(starts[wrong[0]]) - HEAD.size - _SPAN.itemsize * sum(counts[int(wrong[0])])
        raise _damaged(data[begin : int(ends[wrong[0]])])
    offset = before + (starts - (np.cumsum(filled) - filled))[frame]
    everything = Spans(frame, spans["address"].astype(np.int64), length_of, offset)
    there = bool(is_gone.any())
    return Stretch(
        numbers,
        np.array(times, np.int64),
        np.array(in_part, np.bool_),
        everything.where(~is_gone) if there else everything,
        everything.where(is_gone) if there else Spans.none(),
        np.frombuffer(data, np.uint8),
    )


def last_written(stretch: Stretch) -> RecordedFrame | None:
    """A message that comes to the same as all frames; None where bytes are known no more in one.

    Of what is written again and again, it has what was written last.
    """
    if len(stretch.gone) or not stretch.numbers:
        return None
    spans = stretch.parts
    order = np.lexsort((spans.length, spans.at))
    at, length = spans.at[order], spans.length[order]
    is_last = np.ones(len(order), np.bool_)
    is_last[:-1] = (at[1:] != at[:-1]) | (length[1:] != length[:-1])
    # spans may overlap: what is written last comes last
    last = spans.where(np.sort(order[is_last]))
    data = memoryview(stretch.data)  # type: ignore[arg-type]
    addresses = last.at.view(np.uint64).tolist()
    table = zip(addresses, last.length.tolist(), last.data.tolist(), strict=True)
    return RecordedFrame(
        FrameKind.CHANGES,
        stretch.numbers[-1],
        int(stretch.times[-1]),
        Consistency.UNGUARDED,
        [(Span(first, size), data[begin : begin + size]) for first, size, begin in table],
    )


def _place_of_each(counts: Ints) -> Ints:
    """The place of each of a row of things among those of its owner."""
    return np.arange(int(counts.sum())) - np.repeat(np.cumsum(counts) - counts, counts)


def _damaged(message: memoryview) -> ValueError:
    """What is wrong, in the words of the reader of one message."""
    try:
        decode(message, 0)
    except ValueError as fault:
        return fault
    return ValueError("a frame is damaged")
