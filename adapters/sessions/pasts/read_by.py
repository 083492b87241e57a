"""By which bridge a recording is evaluated: the one that runs now, where it knows the build."""

from __future__ import annotations

from dataclasses import dataclass, replace

from adapters.recordings.reader import Recording
from adapters.sessions.queried_bridge import queried_build
from adapters.sessions.recorded_bridge import recorded_bridge
from bridge.prepared import memory_map
from schemas.errors import (
    LowhalfError,
    SourceUnusable,
)
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
    try:
        held = recording.part_of(memory_map(running.schema))
        if not held.regions:
            raise SourceUnusable("it holds no memory that they know", source=recording.path.name)
        queried_build(recording, running, held)
    except LowhalfError as fault:
        own = recorded_bridge(recording.path)
        game, now = own.schema.file.game.name, running.schema.file.game.name
        if game != now:
            why = f"it is of {game}, not of {now}"
        else:
            why = f"the running ones do not fit it ({getattr(fault, 'detail', fault)})"
        return ReadBy(own, f"read by the bridge file and schema that it was recorded with: {why}")
    source = RecordingSource(kind="recording", path=str(recording.path.absolute()), repeat=False)
    return ReadBy(replace(running, file=running.file.model_copy(update={"source": source})))
