"""The heap beside a saved layout, as JSON: for the command and for the page that shows it."""

from __future__ import annotations

from typing import Any

from bridge.heap.blocks import Heap
from bridge.heap.laid import Laid
from bridge.heap.shape import Comparison, Layout, Line
from bridge.heap.shape_words import taken, taken_words
from bridge.readings.frame import Frame
from schemas.layout_file import LayoutFile

__all__ = ["comparison_json", "line_json", "sizes_may_differ", "wildcards_json"]


def sizes_may_differ(found: Comparison, file: LayoutFile, build: str) -> bool:
    """Whether a difference may come from another build's sizes alone."""
    return found.first is not None and file.build != build and not found.ignore_sizes


def comparison_json(
    found: Comparison, words: str, note: str, frame: Frame, heap: Heap
) -> dict[str, Any]:
    """``first`` is the index of the first block that differs, null where none does.

    Where the layout has wildcards, ``wildcards`` says what each took.
    """
    return {
        "matches": found.first is None and heap.damaged is None,
        "first": found.first_block,
        "difference": None if found.first is None else words,
        "damaged": heap.damaged,
        "note": note,
        "frame": frame.number,
        "build": frame.build,
        "source": frame.source,
        "lines": [line_json(found, line) for line in found.lines],
        **wildcards_json(found),
    }


def wildcards_json(found: Comparison) -> dict[str, Any]:
    """What each wildcard took, in words and by index; nothing of an exact layout."""
    if found.expected.wildcards is None:
        return {}
    return {
        "wildcards": [
            {
                "index": each.position,
                "owner": found.expected.blocks[each.position].owner,
                "took": list(each.blocks),
                "words": taken_words(found, each),
            }
            for each in taken(found)
        ]
    }


def line_json(found: Comparison, line: Line) -> dict[str, Any]:
    """What stands side by side, null where one side has nothing."""
    return {
        "sort": str(line.sort),
        "expected": _block_json(found.expected, line.expected),
        "found": _block_json(found.found, line.found),
    }


def _block_json(layout: Layout, number: int | None) -> dict[str, Any] | None:
    if number is None:
        return None
    block: Laid = layout.blocks[number]
    return {
        "index": number,
        "owner": block.owner,
        "size": block.size,
        "used": block.used,
        "at": block.at,
        **({} if block.exact else {"wildcard": True}),
    }
