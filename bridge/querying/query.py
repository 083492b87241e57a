"""A query over frames of recorded memory: stretches in, rows out.

What can be is evaluated over all frames of a stretch at once, the rest by the engine, frame by
frame: functions over frames, lists, what asks for the heap's blocks, and pointers into the heap
where they are judged.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from bridge.memory.address_map import MemoryMap
from bridge.querying.asked import Asked
from bridge.querying.frame_by_frame import FrameByFrame
from bridge.querying.known_memory import KnownMemory
from bridge.querying.memory_versions import MemoryVersions
from bridge.querying.part_of_program import fixed_lines, only, used
from bridge.querying.rows import Bools, Column, Rows
from bridge.querying.stretch import Spans, Stretch, flat_spans
from bridge.querying.vector_numbers import RULES, fits
from bridge.querying.vector_slots import VectorSlots

__all__ = ["Numbers", "Plan", "Query"]

_NANOSECONDS = 1_000_000_000


@dataclass(frozen=True, slots=True)
class Numbers:
    """Which frames are wanted, by the game's own numbers: from *first* on, up to *last*."""

    first: int | None = None
    last: int | None = None

    @property
    def only(self) -> bool:
        """Whether it is one frame that is wanted."""
        return self.first is not None and self.first == self.last

    def among(self, numbers: Sequence[int]) -> Bools:
        """Which of these are wanted."""
        if self.first is None and self.last is None:
            return np.ones(len(numbers), np.bool_)
        first = 0 if self.first is None else self.first
        last = 1 << 64 if self.last is None else self.last
        return np.array([first <= number <= last for number in numbers], np.bool_)


class Plan:
    """How each slot that is asked for is evaluated, in the memory that a recording holds.

    ``lines`` are all that can be read, None where that depends on what is there.  ``apart`` is
    whether frames may be evaluated without those before them.
    """

    def __init__(self, asked: Asked, held: MemoryMap, *, at_once: bool = True) -> None:
        program, layout, slots = asked.program, asked.layout, asked.slots
        fit = fits(program, layout, slots) if at_once else [False] * len(slots)
        self.asked = asked
        self.at_once = [slot for slot, each in zip(slots, fit, strict=True) if each]
        self.by_engine = [slot for slot, each in zip(slots, fit, strict=True) if not each]
        self.part = only(program, self.by_engine)
        self.lines = None if self.by_engine else fixed_lines(program, layout, held, slots)
        judged = bool(program.heaps) and any(slot.heap_checks for slot in program.slots)
        over_frames = any(program.slots[n].over_frames for n in used(program, slots))
        self.apart = not over_frames and not (judged and self.by_engine)


class Query:
    """Evaluates what is asked over one stretch after the other.

    *memory* is what is known before the first of them, and *guest* the whole map, of which the
    recording may hold less.
    """

    def __init__(self, plan: Plan, memory: KnownMemory, guest: MemoryMap, numbers: Numbers) -> None:
        asked = plan.asked
        self._plan = plan
        self._memory = memory
        self._numbers = numbers
        memory.begin()
        self._lines: Bools | None = None
        if plan.lines is not None:
            self._lines = np.zeros(len(memory.image.held), np.bool_)
            self._lines[list(plan.lines)] = True
        self._engine: FrameByFrame | None = None
        if plan.by_engine:
            self._engine = FrameByFrame(plan.part, asked.layout, plan.by_engine, memory, guest)

    def over(self, stretch: Stretch) -> Rows:
        """The rows of the frames that are wanted and in which every condition holds."""
        asked, memory = self._plan.asked, self._memory.memory
        parts, gone = flat_spans(stretch.parts, memory), flat_spans(stretch.gone, memory)
        chosen = self._numbers.among(stretch.numbers)
        wanted = bool(chosen.any())
        columns = self._at_once(stretch, parts, gone, wanted=wanted)
        if self._engine is not None:
            found = self._engine.over(stretch, parts, gone)
            columns |= dict(zip(self._plan.by_engine, found, strict=True))
        if not wanted:
            return Rows([], stretch.times[:0] / _NANOSECONDS, [])
        for slot in asked.conditions:
            chosen &= columns[slot].true
        shown = [columns[slot] for slot in asked.columns]
        return Rows(stretch.numbers, stretch.times / _NANOSECONDS, shown).where(chosen)

    def _at_once(
        self, stretch: Stretch, parts: Spans, gone: Spans, *, wanted: bool
    ) -> dict[int, Column]:
        """The columns of the slots that are evaluated over all frames at once, if any is wanted."""
        plan, asked = self._plan, self._plan.asked
        if not plan.at_once:
            return {}
        count = len(stretch)
        versions = MemoryVersions(self._memory, parts, gone, stretch.data, count, self._lines)
        slots = VectorSlots(
            asked.program, asked.layout, self._memory.memory, versions, count, RULES
        )
        found = {slot: slots.column(slot) for slot in plan.at_once if wanted}
        if self._engine is None:
            versions.finish()
        return found
