"""What the daemon and the process that evaluates recordings send each other."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

__all__ = ["PastAsked", "Reply"]


@dataclass(frozen=True, slots=True)
class PastAsked:
    """A request: of the past *name*, which is in *path*, what *what* says.

    Where there are *sources*, recordings that follow each other, *path* is made of them first.
    """

    number: int
    name: str
    path: Path
    what: str
    given: dict[str, Any] = field(default_factory=dict)
    sources: tuple[Path, ...] = ()


@dataclass(frozen=True, slots=True)
class Reply:
    """The answer to a request: JSON, or a fault's words with its kind."""

    number: int
    body: bytes = b""
    fault: str = ""
    kind: str = ""
