"""Steps and attempts as a node of the Homie device (see ``adapters.outputs.mqtt.homie``).  No I/O.

    homie/5/DEVICE/practice/phase          between, waiting, running, done
    homie/5/DEVICE/practice/step           the current step's name; empty outside of the steps
    homie/5/DEVICE/practice/index          its number from 1, else 0
    homie/5/DEVICE/practice/frames         frames of the game since it began
    homie/5/DEVICE/practice/step-frames    JSON: the frames of each step that is done, in order
    homie/5/DEVICE/practice/hint           its hint
    homie/5/DEVICE/practice/show           the watch that is large in it; empty for none
    homie/5/DEVICE/practice/next           the step behind it; empty for none
    homie/5/DEVICE/practice/next-hint      that one's hint
    homie/5/DEVICE/practice/window         JSON: its window, see below
    homie/5/DEVICE/practice/too-soon       whether it was done while it still waits for its begin
    homie/5/DEVICE/practice/reason         which expression has no value now, and why
    homie/5/DEVICE/practice/outcome        of the last: none, success, failed, given-up, cut-off
    homie/5/DEVICE/practice/stopped-at     the step in which it ended, where it was no success
    homie/5/DEVICE/practice/whole          whether each frame of the last was seen: yes, no, unknown
    homie/5/DEVICE/practice/timing         JSON: early, right or late in the last, see below
    homie/5/DEVICE/practice/attempt        the open attempt's number, else 0
    homie/5/DEVICE/practice/attempts       attempts that ended by themselves
    homie/5/DEVICE/practice/successes      successes of these
    homie/5/DEVICE/practice/streak         successes in a row
    homie/5/DEVICE/practice/rate           successes of attempts, 0 to 1; once there is an attempt
    homie/5/DEVICE/practice/rate-low       where the true rate lies with 95 % confidence: from here
    homie/5/DEVICE/practice/rate-high      to here
    homie/5/DEVICE/practice/step-rates     JSON: each step's rate and interval
    homie/5/DEVICE/practice/event          JSON, not retained: an attempt that ended, see below
    homie/5/DEVICE/practice/events-dropped events that were never sent

The topics from ``attempt`` on to ``step-rates`` are there where there is an ``[attempts]`` table;
those of the step where there are steps.

``window`` is ``{"frames": [11, 14], "since": 7}``: the frames in which the current step is right,
and those since the moment from which they count, null before it came.  ``timing`` is that of the
last step of the last attempt that was done and has a window::

    {"step": "turn", "verdict": "late", "by": 3, "frames": 17, "window": [11, 14], "unsure": 0}

``by`` and ``frames`` are null where it was done before the moment came; by ``unsure`` frames it may
be otherwise either way, since some were missed, null where that is not known.  Both are ``{}``
where there is none.

An event is sent once for each attempt that ends (without ``[attempts]``, for each way through the
steps, with the number 0)::

    {"attempt": 12, "outcome": "failed", "step": "turn", "frames": 312, "seconds": 10.4,
     "time": 1764227000.25, "whole": true, "timing": null}

``step`` is null after a success, ``time`` is when it ended in seconds since the Unix epoch, and
``whole`` says whether each frame of it was seen, null where that is not known.  ``timing`` is as in
the topic, null where there is none.  The convention
wants QoS 0 for what is not retained, so that no event comes late or twice.  Events are sent at QoS
1 all the same: one that never comes is a run that is not counted, while one that comes late says so
by its ``time``, and one that comes twice by its ``attempt``.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from adapters.outputs.mqtt.homie_payload import homie_json, homie_string
from bridge.practice.attempts import Attempt, Outcome
from bridge.practice.progress import Phase, Practice

__all__ = [
    "EVENT",
    "EVENTS_DROPPED",
    "NO_PRACTICE",
    "PRACTICE_NODE",
    "PracticeTopics",
    "event_payload",
]

PRACTICE_NODE = "practice"
EVENT = "event"
EVENTS_DROPPED = "events-dropped"

_OUTCOMES = ["none", *(str(outcome) for outcome in Outcome if outcome is not Outcome.OPEN)]
_WHOLE = {True: "yes", False: "no", None: "unknown"}
_BOTH: dict[str, dict[str, Any]] = {
    "phase": {"name": "Phase", "datatype": "enum", "format": ",".join(Phase)},
    "reason": {"name": "What has no value", "datatype": "string"},
    "outcome": {"name": "Last outcome", "datatype": "enum", "format": ",".join(_OUTCOMES)},
    "stopped-at": {"name": "Step in which the last ended", "datatype": "string"},
    "whole": {
        "name": "Each frame of the last was seen",
        "datatype": "enum",
        "format": ",".join(_WHOLE.values()),
    },
    "timing": {"name": "Early, right or late in the last", "datatype": "json"},
    EVENT: {"name": "Attempt that ended", "datatype": "json", "retained": False},
    EVENTS_DROPPED: {"name": "Events never sent", "datatype": "integer"},
}
_STEPS: dict[str, dict[str, Any]] = {
    "step": {"name": "Step", "datatype": "string"},
    "index": {"name": "Number of the step", "datatype": "integer"},
    "frames": {"name": "Frames in the step", "datatype": "integer"},
    "step-frames": {"name": "Frames of the steps that are done", "datatype": "json"},
    "hint": {"name": "Hint", "datatype": "string"},
    "show": {"name": "Watch that is large in the step", "datatype": "string"},
    "next": {"name": "Next step", "datatype": "string"},
    "next-hint": {"name": "Hint of the next step", "datatype": "string"},
    "window": {"name": "Window of the step", "datatype": "json"},
    "too-soon": {"name": "Done before the step began", "datatype": "boolean"},
}
_ATTEMPTS: dict[str, dict[str, Any]] = {
    "attempt": {"name": "Open attempt", "datatype": "integer"},
    "attempts": {"name": "Attempts", "datatype": "integer"},
    "successes": {"name": "Successes", "datatype": "integer"},
    "streak": {"name": "Successes in a row", "datatype": "integer"},
    "rate": {"name": "Rate", "datatype": "float", "format": "0:1"},
    "rate-low": {"name": "Lower end of the rate", "datatype": "float", "format": "0:1"},
    "rate-high": {"name": "Upper end of the rate", "datatype": "float", "format": "0:1"},
    "step-rates": {"name": "Rates of the steps", "datatype": "json"},
}


@dataclass(frozen=True, slots=True)
class PracticeTopics:
    """Which topics there are: those of steps, those of attempts."""

    steps: bool = False
    attempts: bool = False

    @property
    def any(self) -> bool:
        return self.steps or self.attempts

    def node(self) -> dict[str, Any]:
        """The node's part of ``$description``."""
        properties = {**_BOTH}
        if self.steps:
            properties |= _STEPS
        if self.attempts:
            properties |= _ATTEMPTS
        return {"name": "Practice", "type": "lowhalf-practice", "properties": properties}

    def payloads(self, practice: Practice | None) -> dict[str, bytes]:
        """What to publish, by property; what is left out is left as it was."""
        if not self.any:
            return {}
        now = practice or Practice()
        last = now.last
        found = {
            "phase": now.phase.encode(),
            "reason": _string(now.reason),
            "outcome": (last.outcome if last else "none").encode(),
            "stopped-at": _string(last.step if last else ""),
            "whole": _WHOLE[last.whole if last else None].encode(),
            "timing": homie_json((last and last.timed and last.timed.timing_json()) or {}),
        }
        if self.steps:
            found |= {
                "step": _string(now.step),
                "index": b"%d" % now.index,
                "frames": b"%d" % now.frames,
                "step-frames": homie_json([step.as_json() for step in now.finished]),
                "hint": _string(now.hint),
                "show": _string(now.show),
                "next": _string(now.next_step),
                "next-hint": _string(now.next_hint),
                "window": homie_json(now.window_json() or {}),
                "too-soon": b"false" if now.too_soon is None else b"true",
            }
        if self.attempts and now.score is not None:
            score = now.score
            low, high = score.all.interval
            found |= {
                "attempt": b"%d" % now.attempt,
                "attempts": b"%d" % score.all.count,
                "successes": b"%d" % score.all.good,
                "streak": b"%d" % score.streak,
                "step-rates": homie_json(
                    [{"step": n, **rate.as_json()} for n, rate in score.steps]
                ),
                "rate-low": _float(low),
                "rate-high": _float(high),
            }
            if score.all.rate is not None:
                found["rate"] = _float(score.all.rate)
        return found


NO_PRACTICE = PracticeTopics()


def event_payload(attempt: Attempt) -> bytes:
    """What is said of an attempt that ended (see above)."""
    return homie_json(
        {
            "attempt": attempt.number,
            "outcome": str(attempt.outcome),
            "step": attempt.step or None,
            "frames": attempt.frames,
            "seconds": attempt.seconds,
            "time": attempt.began_time + (attempt.seconds or 0.0),
            "whole": attempt.whole,
            "timing": attempt.timed and attempt.timed.timing_json(),
        }
    )


_string = homie_string


def _float(value: float) -> bytes:
    return f"{value:.6f}".rstrip("0").rstrip(".").encode()
