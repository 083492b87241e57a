"""Which recordings of a bridge can be looked at: the one that plays, what is being kept, clips."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from adapters.recordings.clip_path import CLIPS
from schemas.existing import is_file
from schemas.loader import Bridge
from schemas.source_settings import RecordingSource

__all__ = ["MAX_CLIPS", "KnownPast", "clip", "clips", "playing"]

MAX_CLIPS = 200
"""The newest clips are listed."""

_CLIP = re.compile(r"clip-(\d{5,12})-([a-z-]{1,20})")


@dataclass(frozen=True, slots=True)
class KnownPast:
    """A past by its name in addresses; ``attempt`` and ``outcome`` are a clip's.

    ``sources`` are the recordings that ``path`` is yet to be made of, if it is; ``seconds`` is how
    much of what came last is wanted, None for all.
    """

    name: str
    kind: Literal["playing", "rolling", "clip"]
    title: str
    path: Path
    attempt: int | None = None
    outcome: str | None = None
    sources: tuple[Path, ...] = ()
    seconds: float | None = None

    def as_json(self) -> dict[str, Any]:
        return {
            "id": self.name,
            "kind": self.kind,
            "title": self.title,
            "attempt": self.attempt,
            "outcome": self.outcome,
        }


def playing(bridge: Bridge) -> KnownPast | None:
    """The recording that plays, where the source is one."""
    source = bridge.file.source
    if not isinstance(source, RecordingSource):
        return None
    path = bridge.path.parent / source.path
    return KnownPast("playing", "playing", path.name, path)


def clip(bridge: Bridge, name: str) -> KnownPast | None:
    """The clip of a name; None where there is none, or none any more."""
    found = _CLIP.fullmatch(name)
    if found is None:
        return None
    number, outcome = found.groups()
    path = bridge.path.parent / CLIPS / f"{bridge.name}-{number}-{outcome}.mcap"
    if not is_file(path):
        return None
    title = f"attempt {int(number)}: {outcome.replace('-', ' ')}"
    return KnownPast(name, "clip", title, path, int(number), outcome)


def clips(bridge: Bridge) -> list[KnownPast]:
    """The clips that are there, the newest attempts first.  Looks into the folder."""
    named = re.compile(rf"{re.escape(bridge.name)}-(\d{{5,12}}-[a-z-]{{1,20}})\.mcap")

    def names() -> Iterator[str]:
        try:
            for path in (bridge.path.parent / CLIPS).iterdir():
                if found := named.fullmatch(path.name):
                    yield found[1]
        except OSError:
            """No clip was ever kept."""

    def number(name: str) -> int:
        return int(name.partition("-")[0])

    newest = sorted(names(), key=number, reverse=True)[:MAX_CLIPS]
    return [known for name in newest if (known := clip(bridge, f"clip-{name}"))]
