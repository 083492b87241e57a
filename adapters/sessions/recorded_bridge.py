"""The bridge and the schema that a recording was made with, out of its own file."""

from __future__ import annotations

from pathlib import Path

from adapters.recordings.reader import open_recording
from adapters.sessions.followed_plan import followable
from adapters.sessions.kinds import ADDED
from schemas.errors import BridgeFileError, LayoutFileError, PlanFileError, SchemaError
from schemas.loader import Bridge, bridge_of_texts
from schemas.toml_file import TomlText

__all__ = ["recorded_bridge"]


def recorded_bridge(recording: Path, newer: Path | None = None) -> Bridge:
    """A bridge whose source is the recording itself; with a *newer* schema in place of its own.

    The source and the outputs that it was made with may be of kinds that are not installed here:
    they are not looked at, and it has no outputs.  What is wrong with a text is told with the
    recording's path.  Raises BridgeFileError, SchemaError, LayoutFileError, PlanFileError,
    SourceError and its leaves.
    """
    about = open_recording(recording).about
    text = TomlText(recording / "bridge.toml", about.bridge, BridgeFileError)
    schema = TomlText(recording / "schema.toml", about.schema, SchemaError)
    if newer is not None:
        schema = TomlText.read(newer, SchemaError)
    layouts = {
        name: TomlText(recording / f"{name}.layout.toml", words, LayoutFileError)
        for name, words in about.layouts.items()
    }
    plans = {
        name: TomlText(recording / f"{name}.plan.toml", words, PlanFileError)
        for name, words in about.plans.items()
    }
    source = {"kind": "recording", "path": str(recording.absolute()), "repeat": False}
    replaced = {"source": source, "outputs": {}}
    bridge = bridge_of_texts(text, schema, layouts, plans, added=ADDED, replaced=replaced)
    return followable(bridge)
