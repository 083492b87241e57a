"""What happens in the guest's practice, frame by frame: `practice.c` draws the same numbers.

The game's own log of it is never read: both know the script beforehand.
"""

from __future__ import annotations

from bridge.practice.attempts import Outcome
from tests.bridge.judge import Truth

ATTEMPTS = 200
LEAD = 240
"""Frames before the first attempt."""
STEPS = ("take the lantern", "to the Gallery", "face the sea")
ENDS = (
    *(Outcome.SUCCESS, Outcome.SUCCESS, Outcome.FAILED, Outcome.FAILED, Outcome.GIVEN_UP),
    Outcome.OPEN,
)
"""How an attempt may end; OPEN is that the next one begins in mid-step."""
TABLES = """
[[steps]]
name = "take the lantern"
done = "courier.held.kind == ActorKind.lantern"
fail = "current_room.index == 3"
[[steps]]
name = "to the Gallery"
done = "current_room.index == 1"
fail = "current_room.index == 3"
[[steps]]
name = "face the sea"
done = "courier.facing == 0x8000"
fail = "current_room.index == 3"
[attempts]
begins = "change(script_laps) > 0"
given_up = "current_room.index == 2"
"""


class _Draw:
    def __init__(self) -> None:
        self._drawn = 0x00C0_FFEE

    def __call__(self, below: int) -> int:
        self._drawn = (self._drawn * 1103515245 + 12345) & 0xFFFF_FFFF
        return (self._drawn >> 16) % below


def story(first_frame: int) -> list[Truth]:
    """All attempts of a practice whose script began in *first_frame*."""
    draw, found = _Draw(), []
    began, end = first_frame + LEAD, Outcome.SUCCESS
    for number in range(1, ATTEMPTS + 1):
        if end is Outcome.OPEN:
            draw(2)
        end, stops_at = ENDS[draw(6)], draw(3)
        if number == ATTEMPTS:
            end = Outcome.SUCCESS
        if end is Outcome.SUCCESS:
            stops_at = 3
        happens, at = [], 0
        for _ in range(4):
            at += 2 + draw(5)
            happens.append(at)
        rest = 1 + draw(4)
        length = happens[2] if end is Outcome.SUCCESS else happens[stops_at]
        outcome = Outcome.GIVEN_UP if end is Outcome.OPEN else end
        times = [0, *happens]
        steps = [("done", times[n + 1] - times[n]) for n in range(stops_at)]
        if outcome is not Outcome.SUCCESS:
            steps.append((str(outcome), times[stops_at + 1] - times[stops_at]))
        step = "" if outcome is Outcome.SUCCESS else STEPS[stops_at]
        again = end is Outcome.OPEN
        found.append(Truth(began, began + length, outcome, step, again, tuple(steps)))
        began += length + (0 if again else 1 + rest)
    return found
