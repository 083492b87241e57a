"""Steps and attempts as a node of the Homie device (see ``adapters.outputs.homie``).  No I/O.

    homie/5/DEVICE/practice/phase          between, waiting, running, done
    homie/5/DEVICE/practice/step           the current step's name; empty outside of the steps
    homie/5/DEVICE/practice/index          its number from 1, else 0
    homie/5/DEVICE/practice/frames         frames of the game since it began
    homie/5/DEVICE/practice/hint           its hint
    homie/5/DEVICE/practice/reason         which expression has no value now, and why
    homie/5/DEVICE/practice/outcome        of the last: none, success, failed, reset, cut-off
    homie/5/DEVICE/practice/stopped-at     the step in which it ended, where it was no success
    homie/5/DEVICE/practice/attempt        the open attempt's number, else 0
    homie/5/DEVICE/practice/attempts       attempts that ended by themselves
    homie/5/DEVICE/practice/successes      successes of these
    homie/5/DEVICE/practice/streak         successes in a row
    homie/5/DEVICE/practice/rate           successes of attempts, 0 to 1; once there is an attempt
    homie/5/DEVICE/practice/rate-low       where the true rate lies with 95 % confidence: from here
    homie/5/DEVICE/practice/rate-high      to here
    homie/5/DEVICE/practice/step-rates     JSON: each step's rate and interval

The topics from ``attempt`` on are there where there is an ``[attempts]`` table; those of the step
where there are steps.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from adapters.printable import json_text, printable
from bridge.attempts import Outcome
from bridge.practice import Phase, Practice

PRACTICE_NODE = "practice"

_OUTCOMES = ["none", *(str(outcome) for outcome in Outcome if outcome is not Outcome.OPEN)]
_BOTH: dict[str, dict[str, Any]] = {
    "phase": {"name": "Phase", "datatype": "enum", "format": ",".join(Phase)},
    "reason": {"name": "What has no value", "datatype": "string"},
    "outcome": {"name": "Last outcome", "datatype": "enum", "format": ",".join(_OUTCOMES)},
    "stopped-at": {"name": "Step in which the last ended", "datatype": "string"},
}
_STEPS: dict[str, dict[str, Any]] = {
    "step": {"name": "Step", "datatype": "string"},
    "index": {"name": "Number of the step", "datatype": "integer"},
    "frames": {"name": "Frames in the step", "datatype": "integer"},
    "hint": {"name": "Hint", "datatype": "string"},
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
            "reason": string_payload(now.reason),
            "outcome": (last.outcome if last else "none").encode(),
            "stopped-at": string_payload(last.step if last else ""),
        }
        if self.steps:
            found |= {
                "step": string_payload(now.step),
                "index": b"%d" % now.index,
                "frames": b"%d" % now.frames,
                "hint": string_payload(now.hint),
            }
        if self.attempts and now.score is not None:
            score = now.score
            low, high = score.all.interval
            found |= {
                "attempt": b"%d" % now.attempt,
                "attempts": b"%d" % score.all.count,
                "successes": b"%d" % score.all.good,
                "streak": b"%d" % score.streak,
                "step-rates": _rates(now),
                "rate-low": _float(low),
                "rate-high": _float(high),
            }
            if score.all.rate is not None:
                found["rate"] = _float(score.all.rate)
        return found


def string_payload(text: str) -> bytes:
    """A string in one line that steers no subscriber's terminal; exact texts are in JSON alone.

    The empty one is a single zero byte, since no byte at all deletes a topic.
    """
    return printable(text).encode() or b"\0"


NO_PRACTICE = PracticeTopics()


def _rates(practice: Practice) -> bytes:
    assert practice.score is not None
    rates = [{"step": name, **rate.as_json()} for name, rate in practice.score.steps]
    return json_text(rates, separators=(",", ":")).encode()


def _float(value: float) -> bytes:
    return f"{value:.6f}".rstrip("0").rstrip(".").encode()
