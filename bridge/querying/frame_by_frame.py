"""The engine itself over recorded frames: each is evaluated as a live one is.

How frames follow is judged by their recorded numbers and times, as the sampler judges by those of
a live game: where the game was reset, what functions over frames remember is forgotten.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from bridge.evaluation.evaluator import Evaluator
from bridge.expressions.program import Program
from bridge.memory.address_map import MemoryMap
from bridge.querying.known_memory import KnownMemory
from bridge.querying.rows import Column, column_of
from bridge.querying.stretch import Spans, Stretch
from bridge.sampling.frame_count import Follows, FrameCount
from bridge.values.status import Status
from bridge.values.value_type import Value
from schemas.compiler import BuildLayout

__all__ = ["FrameByFrame"]

_TURN = 1 << 64
"""Recorded numbers have 64 bits."""
_NANOSECONDS = 1_000_000_000


class FrameByFrame:
    """Evaluates some *slots* of a program in one frame after the other.

    *guest* is the whole map, of which the recording may hold less.  Only steps of evaluation are
    counted, never time, so that a frame gives the same whenever it is evaluated.
    """

    def __init__(
        self,
        program: Program,
        layout: BuildLayout,
        slots: Sequence[int],
        memory: KnownMemory,
        guest: MemoryMap,
    ) -> None:
        self._program = program
        self._layout = layout
        self._slots = slots
        self._memory = memory
        self._guest = guest
        self._evaluator = self._new_evaluator()
        self._count = FrameCount()

    def over(self, stretch: Stretch, parts: Spans, gone: Spans) -> list[Column]:
        """A column a slot.  The memory is then that of the stretch's last frame.

        *parts* and *gone* are the stretch's by flat index.
        """
        memory, wanted = self._memory, self._slots
        values: list[list[Value | None]] = [[] for _ in wanted]
        statuses: list[list[Status]] = [[] for _ in wanted]
        bounds = np.arange(len(stretch) + 1)
        part_bounds = np.searchsorted(parts.frame, bounds).tolist()
        gone_bounds = np.searchsorted(gone.frame, bounds).tolist()
        times = stretch.times.tolist()
        for frame, number in enumerate(stretch.numbers):
            memory.change(
                parts.where(slice(*part_bounds[frame : frame + 2])),
                gone.where(slice(*gone_bounds[frame : frame + 2])),
                stretch.data,
            )
            evaluator = self._evaluated(number, times[frame] / _NANOSECONDS)
            faults, cautions = evaluator.faults, evaluator.cautions
            for column, slot in enumerate(wanted):
                fault = faults[slot]
                if fault is None:
                    caution = cautions.get(slot)
                    statuses[column].append(caution.status if caution else Status.OK)
                    values[column].append(evaluator.values[slot])
                else:
                    statuses[column].append(fault.status)
                    values[column].append(None)
        return [
            column_of(self._program.slots[slot].type.kind, values[column], statuses[column])
            for column, slot in enumerate(wanted)
        ]

    def _evaluated(self, number: int, seconds: float) -> Evaluator:
        """The evaluator, which has evaluated and taken the frame."""
        evaluator, count = self._evaluator, self._count
        if self._whole and not self._memory.complete:
            # what was all there is so no more
            evaluator, before = self._new_evaluator(), evaluator
            evaluator.adopt(before)
            self._evaluator = evaluator
            before.release_image()
        found = count.judge(number, _TURN, seconds)
        if found.follows in (Follows.RESET, Follows.JUMPED):
            count.was_too_fast(found)
            count.forget()
            evaluator.clear()
            found = count.judge(number, _TURN, seconds)
        missing = evaluator.evaluate(self._memory.image, found.number)
        if missing:
            raise AssertionError(f"lines {sorted(missing)[:4]} are neither there nor not there")
        evaluator.commit()
        count.took(found, seconds, seconds)
        return evaluator

    def _new_evaluator(self) -> Evaluator:
        memory, self._whole = self._memory.memory, self._memory.complete
        evaluator = Evaluator(self._program, self._layout, memory, whole=self._whole)
        evaluator.guest = self._guest
        return evaluator
