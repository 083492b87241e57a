"""Frames for the page to practise with, in each of its states."""

from __future__ import annotations

import copy
from typing import Any

from tests.adapters.canned_desk import Message, snapshot

LONG = "carry the lantern round the harbour office and wait for the gull to leave its perch"
ARABIC = "احمل المصباح إلى رصيف الميناء"


def practising(frame: int = 812, **more: Any) -> Message:
    """The second of three steps, with a window whose moment has come, after seventeen attempts."""
    made = snapshot(frame)
    for each in made["readings"]:
        each.setdefault("room", {"value": "-00000.00", "words": "+00000.00 to go"})
        each["measured"] = each["distance"] is not None
    made["health"]["controls"] = ["by_hand"]
    made["practice"] |= {
        "show": "east",
        "next": {"step": "write", "hint": "press against the pier until the half is right"},
        "window": {"frames": [41, 44], "since": 12},
        "too_soon": None,
        "best": 188,
        "median": 203.5,
        "session": {"session": 3, "attempts": 6, "successes": 4, "rate": 4 / 6,
                    "interval": [0.3, 0.9], "streak": 2, "best": 190, "median": 201},
    } | more  # fmt: skip
    made["practice"]["last"] |= {"by_hand": False, "timing": None}
    return made


def timing(verdict: str, by: int | None, frames: int | None, unsure: int | None = 0) -> Message:
    """When the step ``turn`` was done."""
    return {"step": "turn", "verdict": verdict, "by": by, "frames": frames, "window": [41, 44],
            "unsure": unsure}  # fmt: skip


def failed(found: Message, **more: Any) -> Message:
    """Attempt 17, that failed in the step ``turn``, by its window."""
    made = practising()
    made["practice"]["streak"] = 0
    made["practice"]["last"] |= {
        "outcome": "failed", "step": "turn", "timing": found, "reason": "", **more
    }  # fmt: skip
    return made


def long_words() -> Message:
    """Everything with names and values that go on."""
    made = practising(hint=LONG, step=LONG, next={"step": LONG, "hint": LONG})
    for each in made["readings"]:
        each.update(label=LONG, text="0b" + "10" * 32, words="-" + "8" * 24 + " to go")
        each["room"] = {"value": "0b" + "0" * 64, "words": "-" + "0" * 24 + " to go"}
    made["practice"]["last"] |= {"outcome": "failed", "step": LONG, "reason": LONG}
    made["practice"] |= {"frames": 1234567, "best": 1234567, "median": 1234567.5, "streak": 12345}
    return made


def states() -> dict[str, Message]:
    """Each by its name."""
    plain = practising()
    waits = practising(phase="waiting", too_soon=None, window={"frames": [41, 44], "since": None})
    soon = practising(phase="waiting", too_soon=9, window=None)
    between = practising(
        phase="between", step=None, index=0, frames=0, hint="", attempt=None, window=None, show=None
    )
    done = practising(phase="done", step=None, index=0, next=None, window=None, hint="")
    nothing = practising()
    nothing.pop("practice")
    nothing["health"]["controls"] = []
    steps = practising()
    for key in ("attempt", "attempt_frames", "attempt_frames_seen", "attempt_whole", "attempts",
                "successes", "rate", "interval", "streak", "cut_off", "step_rates", "best",
                "median", "session"):  # fmt: skip
        steps["practice"].pop(key, None)
    steps["practice"]["last"] |= {"attempt": 0, "outcome": "success"}
    offline = practising()
    for each in offline["readings"]:
        each.update(status="offline", age=75.0, reason="the pier is gone")
    empty = practising()
    empty["readings"] = []
    stale = practising(show="gull")
    for each in stale["readings"][:3]:
        each.update(status="freed", plain="freed: points into a free block",
                    reason="gull points into a free block")  # fmt: skip
    right = practising(show="half")
    right["practice"]["last"]["timing"] = timing("right", 0, 42)
    missed = failed(timing("late", 3, 47, 2), frames_seen=200, whole=False)
    missed["practice"] |= {"attempt_frames_seen": 55, "attempt_whole": False}
    other = practising(step=ARABIC, hint=ARABIC, next={"step": ARABIC, "hint": ""}, show="facing")
    for each in other["readings"]:
        each["label"] = ARABIC
    return copy.deepcopy(
        {
            "plain": plain, "waits": waits, "soon": soon, "between": between, "done": done,
            "nothing": nothing, "steps": steps, "offline": offline, "empty": empty,
            "stale": stale, "right": right, "missed": missed, "arabic": other,
            "long": long_words(), "early": failed(timing("early", 2, 39)),
            "before": failed(timing("early", None, None)),
        }
    )  # fmt: skip
