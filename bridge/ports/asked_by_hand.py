"""What a page may ask of a source that a person types."""

from __future__ import annotations

import abc
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

__all__ = ["SAID", "AskedByHand", "Said"]

SAID = ("answer", "confirm", "correct", "undo", "again", "changed", "skip")
"""What a person may say."""


@dataclass(frozen=True, slots=True)
class Said:
    """What became of it: taken, doubted or refused, with words for the person."""

    outcome: str
    words: str


class AskedByHand(abc.ABC):
    """The questions of a source, and the person's answers."""

    @property
    @abc.abstractmethod
    def told(self) -> Mapping[str, Any]:
        """The question at hand and what has been reached, as JSON (``json-schema by-hand``)."""

    @abc.abstractmethod
    def say(self, what: str, text: str = "") -> Said:
        """One of SAID, with the answer's text, the watch, or how the game has changed."""
