"""State that spans frames: the machines of functions over frames, and which values hang on them.

A frame may be evaluated several times before it is taken, so a step only notes what ``commit``
makes the state (``bridge.expressions.frame_functions``).
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from typing import Any

from bridge.evaluation.absence import SET_ASIDE, Absent, Missing
from bridge.expressions import nodes, rises
from bridge.expressions.frame_functions.frame_before import Previous
from bridge.expressions.frame_functions.frame_function import (
    FrameFunction,
    NoArgument,
    NoValueYet,
)
from bridge.expressions.frame_functions.plan_steps import PlanSteps, Standing
from bridge.expressions.frame_functions.tally import Tally
from bridge.expressions.node_walks import parts
from bridge.expressions.program import Program
from bridge.values.status import Status
from bridge.values.value_type import Value

__all__ = ["FrameState"]


class FrameState:
    """The functions over frames of one program, by their slots.

    ``frame``, ``values`` and ``faults`` are those of the frame that is evaluated.  ``doubts`` and
    ``rises`` are of the frame that was taken last: the watches' slots of which functions over
    frames lack some of the frames, and how often conditions became true in frames that were missed,
    as counters tell.
    """

    def __init__(self, program: Program) -> None:
        slots = program.slots
        self._texts = [slot.text for slot in slots]
        self._calls = {
            number: slot.over_frames
            for number, slot in enumerate(slots)
            if slot.over_frames is not None
        }
        self._machines: dict[int, FrameFunction] = {
            number: call.make(slots[number].text) for number, call in self._calls.items()
        }
        self._leans = _leanings(program)
        self._argument_leans = {
            number: tuple({machine for a in call.arguments for machine in self._leans[a]})
            for number, call in self._calls.items()
        }
        self._counted = _counted(program)
        self._spanning = [slot for slot in program.watches.values() if self._leans[slot]]
        self.frame = 0
        self.values: Sequence[Any] = ()
        self.faults: Sequence[Absent | None] = ()
        self.rises: dict[int, int] = {}
        self.doubts: Collection[int] = ()

    def step(self, slot: int, arguments: Sequence[Value | None], faults: Sequence[Any]) -> Value:
        """The value of a function over frames.  Raises Absent or Missing where there is none."""
        of_arguments = self._calls[slot].arguments
        for argument in of_arguments:
            if faults[argument] is SET_ASIDE:
                raise Missing
        doubtful, times = False, None
        for number in self._argument_leans[slot]:
            doubtful = doubtful or self._machines[number].doubtful
        if self._counted:
            times = self._times(of_arguments[-1])
        try:
            return self._machines[slot].step(arguments, self.frame, doubtful, times)
        except NoArgument as fault:
            raise faults[of_arguments[fault.position]] from None
        except NoValueYet as fault:
            raise Absent(Status.WAITING, str(fault)) from None

    def step_at_last(self, slot: int) -> Value | None:
        """The same where the slot had no turn; None where it is no function over frames."""
        call = self._calls.get(slot)
        if call is None:
            return None
        values = [None if self.faults[n] is not None else self.values[n] for n in call.arguments]
        return self.step(slot, values, self.faults)

    def _times(self, condition: int) -> int | None:
        """How often a condition became true over the gap before this frame, where that is told.

        None without a gap, and where there is no counter to tell it.
        """
        counted = self._counted.get(condition)
        if counted is None:
            return None
        missed = self._machines[counted.change].missed(self.frame)
        if not missed:
            return None
        holds = self.faults[condition] is None and bool(self.values[condition])
        return counted.times(self._rise(counted), missed, holds)

    def _rise(self, counted: rises.Counted) -> int | None:
        """How much a counter has risen since the frame taken last."""
        machine = self._machines[counted.change]
        assert isinstance(machine, Previous)
        absent = self.faults[counted.counter] is not None
        return machine.rise(None if absent else self.values[counted.counter])

    def commit(self) -> None:
        """The frame was taken: the machines move on."""
        self.rises = {}
        for number, counted in self._counted.items():
            times = self._times(number)
            if times is not None:
                self.rises[number] = times
            elif not self._machines[counted.change].gap(self.frame):
                counted.learn(self._rise(counted))
        doubtful = False
        for machine in self._machines.values():
            machine.commit()
            doubtful = doubtful or machine.doubtful
        self.doubts = ()
        if doubtful:
            self.doubts = {slot for slot in self._spanning if self.doubtful(slot)}

    def moments(self) -> list[tuple[str, Value | None]]:
        """What each tally counted in the frame that was just taken: its text and the value."""
        return [
            (self._texts[number], machine.moment[0])
            for number, machine in self._machines.items()
            if isinstance(machine, Tally) and machine.moment is not None
        ]

    def moments_apart(self) -> list[tuple[str, Value | None]]:
        """The same of what came in frames that were not taken, before the one that just was."""
        return [
            (self._texts[number], value)
            for number, machine in self._machines.items()
            if isinstance(machine, Tally)
            for value in machine.apart
        ]

    def place(self) -> Standing | None:
        """Where the game stood in the plan that is followed, in the frame that was just taken."""
        steps = (each for each in self._machines.values() if isinstance(each, PlanSteps))
        return next((each.place for each in steps), None)

    def doubtful(self, slot: int) -> bool:
        """Whether a slot's value might be another, had all frames of the game been taken."""
        return any(self._machines[number].doubtful for number in self._leans[slot])

    def clear(self) -> None:
        """The guest was reset: everything is forgotten."""
        for machine in self._machines.values():
            machine.clear()

    def adopt(self, other: FrameState) -> None:
        """Go on with the state of an evaluator of the same program."""
        self._machines = other._machines
        self._counted = other._counted


def _leanings(program: Program) -> list[tuple[int, ...]]:
    """Of each slot the functions over frames that its value is made of, itself where it is one."""
    leanings: list[tuple[int, ...]] = []
    for place, slot in enumerate(program.slots):
        if slot.over_frames is not None:
            leanings.append((place,))
            continue
        found: dict[int, None] = {}
        for part in parts(slot.number):
            if isinstance(part, nodes.SlotValue):
                found |= dict.fromkeys(leanings[part.slot])
        leanings.append(tuple(found))
    return leanings


def _counted(program: Program) -> dict[int, rises.Counted]:
    """The counters behind conditions: those of ``count`` and ``tally``, and those of the practice,
    whose names have a dot."""
    conditions = {
        slot.over_frames.arguments[-1]
        for slot in program.slots
        if slot.over_frames is not None and slot.over_frames.function in ("count", "tally")
    }
    conditions |= {slot for name, slot in program.watches.items() if "." in name}
    found = {number: rises.counted(program.slots, number) for number in conditions}
    return {number: counted for number, counted in found.items() if counted is not None}
