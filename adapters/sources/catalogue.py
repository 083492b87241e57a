"""Catalogue of sources: every kind, and the class that reads it, imported when it is named."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING

from adapters.catalogue import Catalogue
from adapters.sources.surroundings import SourceSurroundings
from bridge.memory.byte_order import ByteOrder
from schemas.source_settings import SourceSettings

if TYPE_CHECKING:
    from bridge.ports.controls import Controls
    from bridge.ports.source import Source
    from bridge.prepared import PreparedBuild

__all__ = ["CATALOGUE", "declared_order", "make_source"]

CATALOGUE = Catalogue(
    {
        "file": "adapters.sources.dumps.file:FileDump",
        "folder": "adapters.sources.dumps.folder:DumpFolder",
        "shared": "adapters.sources.shared:SharedMemory",
        "push": "adapters.sources.pushed.push:PushServer",
        "serial": "adapters.sources.pushed.serial:SerialLine",
        "debugger": "adapters.sources.debugger.stub:DebuggerStub",
        "process": "adapters.sources.process.source:ProcessMemory",
        "recording": "adapters.sources.recording.player:RecordingPlayer",
        "none": "adapters.sources.none:MissingSource",
        "typed": "adapters.sources.typed:TypedMemory",
        "fake": "adapters.sources.fake:ScriptedSource",
    },
    group="lowhalf.sources",
    port="bridge.ports.source:Source",
    base=SourceSettings,
)


def make_source(
    settings: SourceSettings,
    directory: Path,
    prepared_builds: Mapping[str, PreparedBuild],
    controls: Controls | None = None,
) -> Source:
    """The source of a ``[source]`` table; *directory* is what its paths are relative to.

    *prepared_builds* are the builds that may be running, for a source that must find them by
    itself, and *controls* what somebody at the machine may ask of it.  Raises ExtensionError.
    """
    around = SourceSurroundings(directory, prepared_builds, controls)
    source: Source = CATALOGUE.make(settings.kind, settings, around)
    return source


def declared_order(settings: SourceSettings) -> ByteOrder | None:
    """The byte order that a ``[source]`` table names; None for auto."""
    return None if settings.byte_order == "auto" else ByteOrder(settings.byte_order)
