"""The expressions of steps, attempts and tallies in a frame, by their names in the bridge file.

They are slots of the same program as the watches, whose values the evaluator holds by number.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from bridge.evaluation.absence import Absent
from bridge.evaluation.evaluator import Evaluator

__all__ = ["ConditionView"]


class ConditionView:
    """What *evaluator* gave of the expressions that are no watches, in the frame it committed last.

    It is good until the next frame is evaluated.  It is what ``bridge.sampling.practice_rules``
    asks for as ``Conditions``, where all is described.
    """

    def __init__(self, evaluator: Evaluator) -> None:
        self.build = evaluator.layout.name
        self.frame = evaluator.frame
        self.moments = evaluator.moments
        self.moments_apart = evaluator.moments_apart
        self._slots: Mapping[str, int] = evaluator.program.watches
        self._values = evaluator.values
        self._faults: Sequence[Absent | None] = evaluator.faults
        self._rises: Mapping[int, int] = evaluator.rises
        self._doubtful = evaluator.doubtful

    def true(self, name: str) -> bool:
        slot = self._slots.get(name)
        if slot is None or self._faults[slot] is not None:
            return False
        return bool(self._values[slot]) or self.rises(name) > 0

    def rises(self, name: str) -> int:
        slot = self._slots.get(name)
        return 0 if slot is None else self._rises.get(slot, 0)

    def doubtful(self, name: str) -> bool:
        slot = self._slots.get(name)
        return slot is not None and self._doubtful(slot)

    def reasons(self, names: Iterable[str]) -> str:
        found = []
        for name in names:
            slot = self._slots.get(name)
            fault = self._faults[slot] if slot is not None else None
            if fault is not None:
                found.append(f"{name.rpartition('.')[2]}: {fault.reason}")
        return "; ".join(found)
