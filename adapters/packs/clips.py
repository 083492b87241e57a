"""A clip as others get it: every frame of it, and of the files it was made with what is shared."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from adapters.packs.shared_texts import IN_A_CLIP, shared_about
from adapters.recordings.copying import copy_part
from adapters.recordings.reader import Recording
from schemas.errors import LowhalfError, PackError

__all__ = ["copy_clip"]

_NEVER = 9e9
"""Seconds since the Unix epoch, in the year 2255."""


def copy_clip(recording: Recording, target: Path) -> None:
    """Write *target*, which says nothing of where the memory came from.

    Raises PackError where what the recording says of itself cannot be shared, OutputError,
    SourceError and its leaves.
    """
    try:
        shared = shared_about(recording.about, IN_A_CLIP)
    except (LowhalfError, ValueError) as fault:
        raise PackError(
            f"{recording.path}: the bridge file or schema in it cannot be shared: {fault}"
        ) from fault
    copy_part(
        [recording.path], target, 0.0, _NEVER, about=lambda about: shared, readings=_of_no_source
    )


def _of_no_source(told: dict[str, Any]) -> dict[str, Any]:
    return {**told, "source": ""}
