"""The message that pages get: everything of a frame that a page shows."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence
from typing import Any

from adapters.outputs.words import target_words, to_go
from bridge.readings import Frame, Reading, Status, Watch


def frame_snapshot(frame: Frame) -> dict[str, Any]:
    """``Frame.as_json()`` with the note, the counts and, for each reading, what pages show."""
    return {
        **frame.as_json(),
        "note": frame.note,
        "stats": dataclasses.asdict(frame.stats),
        "readings": [reading_snapshot(reading) for reading in frame.readings],
    }


def waiting_snapshot(watches: Sequence[Watch]) -> dict[str, Any]:
    """The same before the first frame: the watches, all waiting."""
    reason = "no frame yet"
    readings = [Reading(watch, Status.WAITING, reason=reason) for watch in watches]
    return {
        "frame": None,
        "time": None,
        "build": "",
        "source": "",
        "consistency": "",
        "note": "",
        "stats": None,
        "readings": [reading_snapshot(reading) for reading in readings],
    }


def reading_snapshot(reading: Reading) -> dict[str, Any]:
    """A reading's JSON and its label, target, distance and age.

    ``distance`` is a number in the watch's unit or null; ``to_go`` is its text, ``words`` the
    state of the target in words, ``age`` is in seconds.
    """
    distance = reading.distance
    target = reading.watch.target
    return {
        **reading.as_json(),
        "label": reading.watch.title,
        "target_text": target.text if target else None,
        "distance": distance if distance is not None and math.isfinite(distance) else None,
        "to_go": to_go(reading),
        "words": target_words(reading),
        "age": reading.age,
    }
