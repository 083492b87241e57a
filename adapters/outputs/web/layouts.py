"""The heap beside each saved layout, as JSON for a page."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from adapters.json_forms.heap_shape import line_json, sizes_may_differ, wildcards_json
from adapters.outputs.web.heap import SeenHeap
from bridge.heap.shape import Comparison, Sort, compare, layout_from, layout_of
from bridge.heap.shape_words import first_words
from schemas.layout_file import MAX_BLOCKS, SavedLayout

__all__ = ["MAX_LINES", "layouts_json"]

MAX_LINES = 400
"""Lines of a comparison that a page is sent."""


def layouts_json(saved: Mapping[str, SavedLayout], seen: SeenHeap | None) -> dict[str, Any]:
    """Every saved layout against a heap.

    ``matches`` is null and ``words`` say why where there is nothing to compare.  ``first`` is the
    index of the first block that differs, null where none does.  ``lines`` are as ``lowhalf layout
    compare --json`` has them, at most MAX_LINES, those nearest to a difference; ``omitted`` counts
    the rest.  Where a layout has wildcards, ``wildcards`` is what each took.
    """
    return {
        "frame": None if seen is None else seen.frame,
        "layouts": [_layout(name, each, seen) for name, each in saved.items()],
    }


def _layout(name: str, saved: SavedLayout, seen: SeenHeap | None) -> dict[str, Any]:
    shown: dict[str, Any] = {
        "name": name,
        "title": saved.file.title,
        "matches": None,
        "first": None,
        "words": "",
        "note": "",
        "lines": [],
        "omitted": 0,
    }
    if seen is None:
        return {**shown, "words": "waits for the heap"}
    heap = seen.heap.named(saved.file.heap) if saved.file.heap else seen.heap
    if heap is None:
        words = f"not compared: it is of the heap {saved.file.heap}, which the schema does not have"
        return {**shown, "words": words}
    if len(heap.blocks) > MAX_BLOCKS:
        words = f"not compared: {len(heap.blocks)} blocks, expected at most {MAX_BLOCKS}"
        return {**shown, "words": words}
    expected = layout_from(saved.file, ignore_sizes=saved.ignore_sizes)
    found = compare(expected, layout_of(heap))
    lines = _nearest(found)
    return {
        **shown,
        "matches": found.first is None and heap.damaged is None,
        "first": found.first_block,
        "words": first_words(found),
        "note": "; ".join(filter(None, (heap.damaged, _build_note(found, saved, seen.build)))),
        "lines": [line_json(found, found.lines[number]) for number in lines],
        "omitted": len(found.lines) - len(lines),
        **wildcards_json(found),
    }


def _build_note(found: Comparison, saved: SavedLayout, build: str) -> str:
    if not sizes_may_differ(found, saved.file, build):
        return ""
    return (
        f"saved on {saved.file.build}, compared on {build}, where sizes may differ; "
        "ignore_sizes in [layouts] compares owners and use alone"
    )


def _nearest(found: Comparison) -> list[int]:
    """The positions of the lines that are nearest to one that differs, in their order."""
    count = len(found.lines)
    away = [count] * count
    for positions in (range(count), reversed(range(count))):
        distance = count
        for position in positions:
            differs = found.lines[position].sort is not Sort.SAME
            distance = 0 if differs else distance + 1
            away[position] = min(away[position], distance)
    nearest = sorted(range(count), key=lambda position: (away[position], position))
    return sorted(nearest[:MAX_LINES])
