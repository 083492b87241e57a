"""From an evaluator's slots to the readings of one frame."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

from bridge.evaluation.absence import NotHeld
from bridge.evaluation.evaluator import Evaluator
from bridge.readings.reading import Reading, Watch
from bridge.values.status import Status

__all__ = ["MISSED", "frame_readings"]

MISSED = "of the frames that it is made of some were missed"


def frame_readings(
    evaluator: Evaluator, watches: Sequence[Watch], slots: Mapping[str, int]
) -> Callable[[], list[Reading]]:
    """What makes the readings of the frame that was just evaluated, also when later ones were.

    ``slots`` is which slot each watch is, by its name.  A value that is made of earlier frames of
    which some were missed is ok, and its reason says so.
    """
    values, faults, addresses = evaluator.values, evaluator.faults, evaluator.addresses
    cautions, doubts = evaluator.cautions, evaluator.doubts

    def make() -> list[Reading]:
        readings = []
        for watch in watches:
            slot = slots[watch.name]
            fault = faults[slot]
            if fault is None:
                caution = cautions.get(slot)
                status = caution.status if caution else Status.OK
                reason = caution.reason if caution else MISSED if slot in doubts else ""
                reading = Reading(watch, status, values[slot], addresses[slot], reason)
            else:
                reading = Reading(
                    watch,
                    fault.status,
                    fault.value and values[slot],
                    addresses[slot],
                    fault.reason,
                    awaited=isinstance(fault, NotHeld) and fault.status is Status.WAITING,
                    cause=fault.cause,
                )
            readings.append(reading)
        return readings

    return make
