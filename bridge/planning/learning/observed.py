"""Recorded play as learning sees it: each change of the heap, and which action was done when."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from bridge.heap.blocks import Block, Heap, Rows
from bridge.heap.events import Happened, HeapEvent, events_between
from bridge.planning.arena import HOLE, WALL, Cell

__all__ = [
    "MAX_HELD",
    "NEAR",
    "Change",
    "Label",
    "Mark",
    "Play",
    "PlayWatcher",
    "allocations",
    "cells_of",
    "releases",
]

MAX_HELD = 1_000_000
"""Blocks of all the heaps that are kept at most; what comes after is left out, and told."""
NEAR = 64
"""Bytes between two blocks up to which these belong to the first: what rounding has left."""


@dataclass(frozen=True, slots=True)
class Change:
    """The heap became another in ``frame``; ``since`` is the frame in which it was seen before.

    ``held`` is the payload that is held before and after, None where nobody knows or none is;
    ``states`` are those before that frame and in it.
    """

    frame: int
    since: int
    before: Heap
    after: Heap
    events: tuple[HeapEvent, ...]
    held: tuple[int | None, int | None] = (None, None)
    states: tuple[Mapping[str, int], Mapping[str, int]] = field(default_factory=lambda: ({}, {}))

    @property
    def gapless(self) -> bool:
        """Whether no frame lies between, so that nothing else can have come and gone."""
        return self.frame - self.since == 1


@dataclass(frozen=True, slots=True)
class Label:
    """An action was done, or showed, in ``frame``.

    States are those before that frame and in it; ``held`` is the payload that was and is held.
    """

    frame: int
    action: str
    before: Mapping[str, int] = field(default_factory=dict)
    after: Mapping[str, int] = field(default_factory=dict)
    held: tuple[int | None, int | None] = (None, None)


@dataclass(frozen=True, slots=True, order=True)
class Mark:
    """Whoever played pressed the key of ``action`` while ``frame`` was the newest: it was done
    about then."""

    frame: int
    action: str


@dataclass(slots=True)
class Play:
    """Frames of one build in a row; ``name`` is the recording's.

    ``gaps`` are the frames behind which some were missed while the heap seemed to stay.
    """

    name: str
    build: str
    changes: list[Change] = field(default_factory=list)
    labels: list[Label] = field(default_factory=list)
    marks: list[Mark] = field(default_factory=list)
    gaps: list[int] = field(default_factory=list)
    first: Heap | None = None
    last: Heap | None = None
    frames: int = 0
    first_frame: int = 0
    last_frame: int = 0
    cut: bool = False
    """Whether there was more than is kept."""
    states: Mapping[str, int] = field(default_factory=dict)
    """The states in the last frame, as far as they have values."""


class PlayWatcher:
    """Takes the heaps of a game's frames, and keeps where these became others."""

    def __init__(self, name: str, build: str) -> None:
        self.play = Play(name, build)
        self._held_before: int | None = None
        self._kept = 0

    def take(
        self,
        frame: int,
        heap: Heap,
        actions: Iterable[str] = (),
        held: int | None = None,
        states: Mapping[str, int] | None = None,
    ) -> None:
        """The heap of a frame, and the actions that are done in it.  A broken one is left out."""
        play = self.play
        was, play.states = play.states, states or {}
        between = (self._held_before, held)
        play.labels += [Label(frame, action, was, play.states, between) for action in actions]
        if heap.damaged is not None or heap.awaited or not heap.blocks:
            return
        before, since = play.last, play.last_frame
        if before is None:
            play.first, play.first_frame = heap, frame
        elif self._kept > MAX_HELD:
            play.cut = True
        else:
            events = tuple(events_between(frame, since, before, heap))
            if events or not _alike(before, heap):
                self._kept += len(heap.blocks)
                seen = (was, play.states)
                play.changes.append(Change(frame, since, before, heap, events, between, seen))
            elif frame - since > 1:
                play.gaps.append(frame)
        play.last, play.last_frame = heap, frame
        play.frames += 1
        self._held_before = held


def _alike(before: Heap, after: Heap) -> bool:
    """Whether two heaps that have the same used blocks have the same free ones."""
    earlier, later = before.blocks, after.blocks
    if isinstance(earlier, Rows) and isinstance(later, Rows) and earlier.rows == later.rows:
        return True  # as in most frames
    return cells_of(before) == cells_of(after)


def releases(change: Change) -> list[Block]:
    """The blocks that are there no more."""
    return [
        event.was if event.was is not None else event.block
        for event in change.events
        if event.happened is not Happened.ALLOCATED
    ]


def allocations(change: Change) -> list[Block]:
    """The blocks that are new."""
    return [event.block for event in change.events if event.happened is not Happened.RELEASED]


def cells_of(heap: Heap) -> tuple[Cell, ...]:
    """The heap's blocks as cells that tile it; ages are not looked at."""
    blocks = sorted(heap.blocks, key=lambda block: block.start)
    cells: list[Cell] = []
    for number, block in enumerate(blocks):
        start = min(block.header, block.start)
        end = block.end
        if number + 1 < len(blocks):
            following = min(blocks[number + 1].header, blocks[number + 1].start)
            if 0 < following - end < NEAR:
                end = following
        if cells and cells[-1].end < start:
            cells.append(Cell(cells[-1].end, start - cells[-1].end, WALL))
        cells.append(Cell(start, end - start, block.owner if block.used else HOLE))
    return tuple(cells)
