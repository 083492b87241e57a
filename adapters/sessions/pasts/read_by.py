"""By which bridge a recording is evaluated: the one that runs now, where it knows the build."""

from __future__ import annotations

import contextlib
import tomllib
from dataclasses import dataclass, replace

from adapters.recordings.reader import Recording
from adapters.sessions.queried_bridge import queried_build
from adapters.sessions.recorded_bridge import recorded_bridge
from bridge.prepared import memory_map
from schemas.errors import SourceError
from schemas.loader import Bridge
from schemas.source_settings import RecordingSource

__all__ = ["ReadBy", "read_by"]


@dataclass(frozen=True, slots=True)
class ReadBy:
    """The bridge, whose source is the recording; ``note`` says where it is not the one that runs,
    and why."""

    bridge: Bridge
    note: str = ""


def read_by(running: Bridge, recording: Recording) -> ReadBy:
    """*running* where it knows the build that was recorded, else what was recorded with it.

    Raises BridgeFileError, SchemaError, LayoutFileError, SourceError and its leaves.
    """
    why = _misfit(running, recording)
    if why:
        words = f"read by the bridge file and schema that it was recorded with: {why}"
        return ReadBy(recorded_bridge(recording.path), words)
    source = RecordingSource(kind="recording", path=str(recording.path.absolute()), repeat=False)
    return ReadBy(replace(running, file=running.file.model_copy(update={"source": source})))


def _misfit(running: Bridge, recording: Recording) -> str:
    """Why a recording cannot be read by the running bridge; empty where it can."""
    about, wanted = recording.about, running.file.build
    game, now = _game(about.schema), running.schema.file.game.name
    if about.schema != running.schema.text and game not in ("", now):
        return f"it is of {game}, not of {now}"
    if wanted != "auto" and about.build not in ("", wanted):
        return f"it is of build {about.build}, not of {wanted}"
    if about.schema == running.schema.text:
        return ""
    held = recording.part_of(memory_map(running.schema))
    if not held.regions:
        return "it holds no memory that the running ones know"
    try:
        queried_build(recording, running, held)
    except SourceError as fault:
        return f"the running ones do not fit it: {fault.detail}"
    return ""


def _game(schema: str) -> str:
    """The game that a schema's text names; empty where that cannot be read."""
    with contextlib.suppress(tomllib.TOMLDecodeError, KeyError, TypeError):
        return str(tomllib.loads(schema)["game"]["name"])
    return ""
