"""The message that pages get: everything of a frame that a page shows."""

from __future__ import annotations

import dataclasses
import math
import re
from collections.abc import Callable, Sequence
from typing import Any

from adapters.json_forms.heap_events import told_json
from adapters.outputs.web.heap import SeenHeap
from adapters.words.page_text import Rooms, shown_text
from adapters.words.plan import new_words, slip_words, unseen_words, where_words
from adapters.words.practice import practice_words
from adapters.words.readings import target_words, to_go
from bridge.heap.blocks import Heap
from bridge.practice.followed_plan import FollowedPlan
from bridge.practice.progress import Practice
from bridge.readings.frame import Frame
from bridge.readings.reading import Reading, Watch
from bridge.values.status import Status
from bridge.values.target import Target

__all__ = [
    "MAX_BLOCKS",
    "MAX_DRAWN",
    "PARTS",
    "desk_reading",
    "frame_snapshot",
    "heap_snapshot",
    "reading_snapshot",
    "waiting_snapshot",
]

PARTS = frozenset(("heap", "desk"))
"""What a snapshot holds only where it was asked for."""
MAX_BLOCKS = 4096
MAX_DRAWN = 256
"""Blocks of a plan's heaps that are drawn."""
_ROOMS = Rooms()
_INDEX = re.compile(r"\s*block\(.+\)\.index\s*", re.DOTALL)
_INDEX_IN = re.compile(r"""\s*block\(.+,\s*(["'])(?P<heap>\w+)\1\s*\)\.index\s*""", re.DOTALL)
"""The same of one heap of several, without whose name nobody knows which block is meant."""


def frame_snapshot(
    frame: Frame,
    parts: frozenset[str] = frozenset(),
    *,
    heap: SeenHeap | None = None,
    health: Callable[[], dict[str, Any]] | None = None,
) -> dict[str, Any]:
    """``Frame.as_json()`` with the note, the counts and, for each reading, what pages show.

    Where there are steps or attempts, ``practice_words`` is their line; where a plan is followed,
    ``plan_words`` are those of ``adapters.words.plan``, and the part ``desk`` adds ``plan_drawn``:
    its steps, and the first MAX_DRAWN blocks that are there ``now`` and are ``wanted`` next.  The
    part ``heap`` is the heap's blocks (see ``heap_snapshot``), null where nothing asked for the
    heap; *heap* stands in where no watch asked for it; ``heap_events`` beside it is what became of
    them lately (see ``told_json``).  The part ``desk`` adds to each reading what ``desk_reading``
    does, and *health* to the snapshot.
    """
    shown = desk_reading if "desk" in parts else reading_snapshot
    return {
        **frame.as_json(),
        "note": frame.note,
        "stats": dataclasses.asdict(frame.stats),
        "readings": [shown(reading) for reading in frame.readings],
        **({"practice_words": _practice_words(frame.practice)} if frame.practice else {}),
        **({"plan_words": _plan_words(frame.plan)} if frame.plan else {}),
        **({"plan_drawn": _plan_drawn(frame.plan)} if frame.plan and "desk" in parts else {}),
        **({"heap": heap_snapshot(frame, heap)} if "heap" in parts else {}),
        **({"heap_events": _told(frame)} if "heap" in parts else {}),
        **({"health": health() if health else None} if "desk" in parts else {}),
    }


def _told(frame: Frame) -> dict[str, Any] | None:
    return None if frame.heap_events is None else told_json(frame.heap_events)


def _practice_words(practice: Practice) -> str:
    """Without the expressions of what has no value, which are the terminal's and Working's."""
    return practice_words(dataclasses.replace(practice, reason=""))


def _plan_words(plan: FollowedPlan) -> dict[str, str]:
    return {
        "where": where_words(plan),
        "slip": slip_words(plan),
        "new": new_words(plan.new),
        "unseen": unseen_words(plan),
    }


def _plan_drawn(plan: FollowedPlan) -> dict[str, Any]:
    return {
        "steps": [step.as_json() for step in plan.steps],
        "now": plan.now[:MAX_DRAWN],
        "wanted": plan.wanted[:MAX_DRAWN],
        "omitted": max(0, max(len(plan.now), len(plan.wanted)) - MAX_DRAWN),
    }


def waiting_snapshot(
    watches: Sequence[Watch],
    parts: frozenset[str] = frozenset(),
    *,
    health: Callable[[], dict[str, Any]] | None = None,
) -> dict[str, Any]:
    """The same before the first frame: the watches, all waiting."""
    reason = "no frame yet"
    readings = [Reading(watch, Status.WAITING, reason=reason) for watch in watches]
    shown = desk_reading if "desk" in parts else reading_snapshot
    return {
        "frame": None,
        "time": None,
        "build": "",
        "source": "",
        "consistency": "",
        "note": "",
        "stats": None,
        "readings": [shown(reading) for reading in readings],
        **({"heap": None, "heap_events": None} if "heap" in parts else {}),
        **({"health": health() if health else None} if "desk" in parts else {}),
    }


def reading_snapshot(reading: Reading) -> dict[str, Any]:
    """A reading's JSON and its label, target, distance and age.

    ``shown`` is the value as pages show it, ``plain`` the status in words without an expression,
    ``room`` the watch's own widest sensible texts, ``measured`` whether it has a way to its
    target.
    ``distance`` is a number in the watch's unit or null; ``to_go`` is its text, ``within`` how far
    from the target's middle is near enough, null where it has none, ``words`` the state of the
    target in words, ``age`` is in seconds.
    """
    distance = reading.distance
    target = reading.watch.target
    room = _ROOMS.of(reading.watch)
    return {
        **reading.as_json(),
        "shown": shown_text(reading),
        "plain": reading.plain,
        "room": {"value": room.value, "words": room.words},
        "measured": target is not None and target.measured,
        "label": reading.watch.title,
        "target_text": target.text if target else None,
        "distance": distance if distance is not None and math.isfinite(distance) else None,
        "within": _within(target),
        "to_go": to_go(reading),
        "words": target_words(reading),
        "age": reading.age,
    }


def desk_reading(reading: Reading) -> dict[str, Any]:
    """The same with what the watch is.

    ``pointer`` is true where the value is a guest address; ``target_range`` is the lowest and the
    highest number that are hits, null without a target that is such a range.
    """
    watch = reading.watch
    return {
        **reading_snapshot(reading),
        "expression": watch.expression,
        "type": watch.type.name,
        "pointer": watch.type.address,
        "group": watch.group,
        "show": watch.show,
        "target_range": _range(watch.target),
    }


def heap_snapshot(frame: Frame, other: SeenHeap | None = None) -> dict[str, Any] | None:
    """The heap for a picture of it; None where nothing asked for the heap.

    *other* is the newest heap where no watch asked for it; ``frame`` says which frame it is of.
    ``blocks`` are ``[start, size, used, owner]`` in list order, at most MAX_BLOCKS of ``count``;
    ``owner`` counts in ``owners``.  ``start`` and ``end`` bound all blocks, headers included.
    ``held`` has each watch that says which block a pointer is in: those that are written
    ``block(…).index`` and have a value in the heap's frame.  ``awaited`` is there where what is
    ``damaged`` has only not come yet.

    Of several heaps it is the first, with its ``name`` where it has one, and ``others`` are like
    it; ``held`` of each has what is written ``block(…, "name").index``.
    """
    if frame.heap is not None:
        other = SeenHeap(frame.heap, frame.number, frame.build)
    if other is None:
        return None
    readings = frame.readings if other.frame == frame.number else ()
    first, *further = (_one_heap(heap, other, readings) for heap in other.heap.all)
    return {**first, "others": further} if further else first


def _one_heap(heap: Heap, other: SeenHeap, readings: Sequence[Reading]) -> dict[str, Any]:
    several = bool(other.heap.others)
    blocks = list(heap.blocks)
    owners = list(dict.fromkeys(block.owner for block in blocks))
    number = {owner: index for index, owner in enumerate(owners)}
    return {
        **({"name": heap.name} if heap.name else {}),
        "frame": other.frame,
        "count": len(blocks),
        "start": min((min(block.header, block.start) for block in blocks), default=0),
        "end": max((block.end for block in blocks), default=0),
        "bytes": sum(block.size for block in blocks),
        "free_bytes": sum(block.size for block in blocks if not block.used),
        "owners": owners,
        "blocks": [
            [block.start, block.size, block.used, number[block.owner]]
            for block in blocks[:MAX_BLOCKS]
        ],
        "held": [held for reading in readings for held in _held(reading, heap, several)],
        "damaged": heap.damaged,
        **({"awaited": True} if heap.awaited else {}),
        "empty": heap.empty,
    }


def _held(reading: Reading, heap: Heap, several: bool) -> list[dict[str, Any]]:
    index = reading.value
    found = (_INDEX_IN if several else _INDEX).fullmatch(reading.watch.expression)
    if found is None or not isinstance(index, int):
        return []
    if several and found["heap"] != heap.name:
        return []
    if not reading.status.has_value or not 0 <= index < len(heap.blocks):
        return []
    block = heap.blocks[index]
    return [
        {
            "watch": reading.watch.name,
            "label": reading.watch.title,
            "index": index,
            "start": block.start,
            "size": block.size,
            "owner": block.owner,
        }
    ]


def _range(target: Target | None) -> list[float] | None:
    if target is None or not target.measured or isinstance(target.aim, str | bool):
        return None
    ends = [target.lowest, target.highest]
    return ends if all(math.isfinite(end) for end in ends) else None


def _within(target: Target | None) -> float | None:
    if target is None or not target.measured or not isinstance(target.aim, int | float):
        return None
    within = target.highest - target.aim
    return within if math.isfinite(within) else None
