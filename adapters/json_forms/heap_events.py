"""A heap event as JSON, and in words: for the command and for pages."""

from __future__ import annotations

from typing import Any

from bridge.heap.events import Happened, HeapEvent

__all__ = ["event_json", "event_words"]


def event_json(event: HeapEvent) -> dict[str, Any]:
    """``block`` is its index in the heap's list, ``start`` a guest address, ``size`` in bytes."""
    block = event.block
    return {
        "frame": event.frame,
        "event": str(event.happened),
        "block": block.index,
        "start": block.start,
        "size": block.size,
        "owner": block.owner,
        "was": None if event.was is None else event.was.owner,
    }


def event_words(event: HeapEvent) -> str:
    """A line for people, such as ``frame 1021  gull allocated, block 2 at 0x802003D0, …``."""
    block = event.block
    happened = f"{block.owner} {event.happened}"
    if event.happened is Happened.REUSED and event.was is not None:
        same = event.was.owner == block.owner
        happened = f"{block.owner} {'handed out anew' if same else f'where {event.was.owner} was'}"
    unseen = event.frame - event.since - 1
    gap = f", in one of {unseen + 1} frames" if unseen > 0 else ""
    return (
        f"frame {event.frame}  {happened}, block {block.index} at 0x{block.start:08X}, "
        f"0x{block.size:X} bytes{gap}"
    )
