"""A heap event as JSON, and in words: for the command, for pages and for a broker."""

from __future__ import annotations

from typing import Any

from bridge.heap.events import Happened, HeapEvent
from bridge.heap.told_events import Anew, Told, ToldEvents, Unseen

__all__ = ["event_json", "event_words", "told_json"]


def event_json(event: HeapEvent) -> dict[str, Any]:
    """``block`` is its index in the heap's list, ``start`` a guest address, ``size`` in bytes.

    ``heap`` is there where the heap has a name, ``was_at`` where the block moved.
    """
    block = event.block
    moved = event.happened is Happened.MOVED and event.was is not None
    return {
        "frame": event.frame,
        "event": str(event.happened),
        "block": block.index,
        "start": block.start,
        "size": block.size,
        "owner": block.owner,
        "was": None if event.was is None or moved else event.was.owner,
        **({"was_at": event.was.start} if moved and event.was is not None else {}),
        **({"heap": block.heap} if block.heap else {}),
    }


def event_words(event: HeapEvent) -> str:
    """A line for people, such as ``frame 1021  gull allocated, block 2 at 0x802003D0, …``."""
    block = event.block
    return (
        f"frame {event.frame}  {_happened(event)}, block {block.index}"
        f"{f' of {block.heap}' if block.heap else ''} at 0x{block.start:08X}, "
        f"0x{block.size:X} bytes{_gap(event)}"
    )


def _happened(event: HeapEvent) -> str:
    owner = event.block.owner
    if event.happened is Happened.REUSED and event.was is not None:
        same = event.was.owner == owner
        return f"{owner} {'handed out anew' if same else f'where {event.was.owner} was'}"
    if event.happened is Happened.MOVED and event.was is not None:
        return f"{owner} moved from 0x{event.was.start:08X}"
    return f"{owner} {event.happened}"


def _gap(event: HeapEvent) -> str:
    unseen = event.frame - event.since - 1
    return f", in one of {unseen + 1} frames" if unseen > 0 else ""


def told_json(told: ToldEvents) -> dict[str, Any]:
    """What a page is told: ``count`` of all events so far, and the newest, oldest first.

    ``told`` are rows ``[number, frame, event, words, block, start, size]``; what lies between
    events has the number 0 and ``event`` ``unseen`` or ``anew``, and nothing behind its words.
    The name of the heap is the last of a row, where it has one.
    """
    first = told.count - sum(isinstance(each, HeapEvent) for each in told.recent)
    rows = []
    for each in told.recent:
        first += isinstance(each, HeapEvent)
        rows.append(_row(each, first))
    return {
        "count": told.count,
        "changes": told.changes,
        "numbered": told.numbered,
        "told": rows,
    }


def _row(told: Told, number: int) -> tuple[int | str, ...]:
    if isinstance(told, Anew):
        why = f"{told.why}: " if told.why else ""
        why = f"{told.heap}: {why}" if told.heap else why
        return 0, told.frame, "anew", f"{why}told from frame {told.frame} on"
    if isinstance(told, Unseen):
        return 0, told.last, "unseen", _unseen_words(told)
    block = told.block
    words = _happened(told) + _gap(told)
    row = number, told.frame, str(told.happened), words, block.index, block.start, block.size
    return (*row, block.heap) if block.heap else row


def _the_heap(unseen: Unseen) -> str:
    return f"the heap {unseen.heap}" if unseen.heap else "the heap"


def _unseen_words(unseen: Unseen) -> str:
    first, last, count = unseen.first, unseen.last, unseen.count
    why = {
        "damaged": f"{_the_heap(unseen)} was damaged",
        "in part": f"{_the_heap(unseen)} had come only in part",
        "not whole": "not seen, or not whole",
    }.get(unseen.why, unseen.why)
    end = "what came and went between is not told"
    if count is None:
        of = f"of {unseen.heap} " if unseen.heap else ""
        return f"frames from {first} on {of}{why}, how many is not known: {end}"
    frames = f"frames {first} to {last}" if last > first else f"frame {first}"
    if count != last - first + 1:
        frames = f"{count} of the {frames}"
    of = f"of {unseen.heap} " if unseen.heap and why.startswith("not") else ""
    return f"{frames} {of}{why}: {end}" if why.startswith("not") else f"{frames}, {why}: {end}"
