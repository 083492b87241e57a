"""Where the clip of an attempt is."""

from __future__ import annotations

from pathlib import Path

from bridge.practice.attempts import Attempt
from schemas.loader import Bridge

__all__ = ["CLIPS", "clip_path"]

CLIPS = "clips"
"""The folder, beside the bridge file."""


def clip_path(bridge: Bridge, attempt: Attempt) -> Path:
    """The file that an attempt has where it is kept."""
    name = f"{bridge.name}-{attempt.number:05}-{attempt.outcome}.mcap"
    return bridge.path.parent / CLIPS / name
