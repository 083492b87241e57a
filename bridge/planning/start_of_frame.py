"""Where planning begins in a frame: the heap, the states, and what is not known of ages."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from bridge.planning.ages import newest_holes, unknown_ages
from bridge.planning.arena_of_heap import arena_of_heap
from bridge.planning.described import FROM, HELD, ROVER, TO, Described
from bridge.planning.model import Start
from bridge.readings.frame import Frame
from bridge.values.status import Status
from schemas.errors import PlanningError

__all__ = ["Begun", "start_of"]


@dataclass(frozen=True, slots=True)
class Begun:
    """One build's start and states in one frame.

    ``unsure`` is an action → which of the blocks that are there is newer and not known.  Where
    that decides the action is not possible; it may be once other actions have released them.
    """

    start: Start
    states: Mapping[str, int]
    unsure: Mapping[str, str]


def start_of(frame: Frame, described: Described) -> Begun:
    """Where planning begins in a frame of ``planning_build``.

    Raises PlanningError where something is not there, or contradicts the allocator's rules.
    """
    heap = None if frame.heap is None else frame.heap.named(described.heap)
    assert heap is not None
    numbers = {name: _number(frame, name) for name in described.expressions}
    bounds = (numbers[FROM], numbers[TO]) if FROM in numbers else None
    arena = arena_of_heap(
        heap,
        described.game,
        bounds,
        described.actions,
        rover=numbers.get(ROVER),
        held=numbers.get(HELD),
        newest_holes=newest_holes(heap),
    )
    return Begun(
        Start(described.game, arena),
        {name: numbers[f"state.{name}"] for name in described.states},
        unknown_ages(heap, described.game.policy, described.actions),
    )


def _number(frame: Frame, name: str) -> int:
    reading = frame[name]
    if reading.status is Status.NULL and name in (ROVER, HELD):
        return 0
    if not reading.status.has_value or not isinstance(reading.value, int):
        raise PlanningError(
            f"{name} of the schema is not known: {reading.watch.expression}: "
            f"{reading.reason or reading.status}"
        )
    return int(reading.value)
