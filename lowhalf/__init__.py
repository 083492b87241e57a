"""lowhalf in programs: what stands in ``__all__`` is public, and versioned semantically.

    import lowhalf

    bridge = lowhalf.load_bridge("harbour.bridge.toml")
    print(lowhalf.read(bridge, "dawn.bin.gz")["x"].text)

This is a face with nothing behind it: each name is imported from its room when it is first used.
What is imported from ``bridge``, ``adapters`` or ``schemas`` directly may change in any version.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from adapters.sessions.from_python import evaluate, frames, load_bridge, load_schema, read
    from adapters.sources.fake import ScriptedSource
    from bridge.ports.source import Cadence, Consistency
    from bridge.readings.frame import Frame, Stats
    from bridge.readings.reading import Reading, Watch
    from bridge.values.status import Status
    from schemas.compiler import Schema
    from schemas.errors import (
        BridgeFileError,
        ExpressionError,
        ExtensionError,
        FileError,
        LayoutFileError,
        LowhalfError,
        SchemaError,
        SourceError,
        SourceLost,
        SourceUnusable,
    )
    from schemas.loader import Bridge
else:
    _ROOMS = {
        "adapters.sessions.from_python": "evaluate frames load_bridge load_schema read",
        "adapters.sources.fake": "ScriptedSource",
        "bridge.ports.source": "Cadence Consistency",
        "bridge.readings.frame": "Frame Stats",
        "bridge.readings.reading": "Reading Watch",
        "bridge.values.status": "Status",
        "schemas.compiler": "Schema",
        "schemas.errors": "BridgeFileError ExpressionError ExtensionError FileError "
        "LayoutFileError LowhalfError SchemaError SourceError SourceLost SourceUnusable",
        "schemas.loader": "Bridge",
    }
    _ROOM_OF = {name: room for room, names in _ROOMS.items() for name in names.split()}

    def __getattr__(name):
        room = _ROOM_OF.get(name)
        if room is None:
            raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
        found = globals()[name] = getattr(import_module(room), name)
        return found

    def __dir__():
        return sorted({*globals(), *__all__})


__version__ = "0.2.0"

__all__ = [
    "Bridge",
    "BridgeFileError",
    "Cadence",
    "Consistency",
    "ExpressionError",
    "ExtensionError",
    "FileError",
    "Frame",
    "LayoutFileError",
    "LowhalfError",
    "Reading",
    "Schema",
    "SchemaError",
    "ScriptedSource",
    "SourceError",
    "SourceLost",
    "SourceUnusable",
    "Stats",
    "Status",
    "Watch",
    "evaluate",
    "frames",
    "load_bridge",
    "load_schema",
    "read",
]
