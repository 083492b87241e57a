"""The bridge and the build by which a recording is looked at: those that were recorded with it,
unless others are given."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from adapters.recordings.reader import Recording
from adapters.sessions.bridge_file import load_bridge
from adapters.sessions.recorded_bridge import recorded_bridge
from bridge.builds.evidence import evidence_spans, identities, unknown_build
from bridge.memory.address_map import MemoryMap
from bridge.memory.byte_order import ByteOrder
from bridge.prepared import memory_map
from schemas.compiler import BuildLayout, load_schema
from schemas.errors import SourceUnusable
from schemas.loader import Bridge

__all__ = ["queried_bridge", "queried_build"]


def queried_bridge(recording: Path, bridge: Path | None, schema: Path | None) -> Bridge:
    """The bridge file *bridge*, or else the one that was recorded; by *schema* where one is given.

    Raises BridgeFileError, SchemaError, LayoutFileError, SourceError and its leaves.
    """
    if bridge is None:
        return recorded_bridge(recording, schema)
    loaded = load_bridge(bridge)
    return loaded if schema is None else replace(loaded, schema=load_schema(schema))


def queried_build(recording: Recording, bridge: Bridge, held: MemoryMap) -> BuildLayout:
    """The build that runs in a recording, which holds *held* of the guest's map.

    The bytes tell it; where these were not recorded, the recording's own word for it.  Raises
    SourceUnusable where it is none that the bridge file allows.
    """
    known = bridge.schema.builds
    wanted = bridge.file.build
    layouts = [layout for name, layout in known.items() if wanted in ("auto", name)]
    memory, guest = recording.memory_before(0), memory_map(bridge.schema)
    spans = evidence_spans(layouts, held)
    found = {span: memory.read(span) for span in spans}
    matches = [each.build for each in identities(layouts, held, found, [ByteOrder.BIG])]
    said = recording.about.build
    if len(matches) == 1:
        return known[matches[0]]
    untold = not matches and all(part is None for part in found.values())
    if said in (matches or [layout.name for layout in layouts if untold]):
        return known[said]
    if not matches and len(layouts) == 1 and (wanted != "auto" or not layouts[0].evidence):
        return layouts[0]
    words = unknown_build(layouts, guest, found, ByteOrder.BIG)
    if matches:
        words = f"builds {' and '.join(matches)} are both recognised; name one with build"
    about = f"; it was recorded of build {said}" if said else ""
    raise SourceUnusable(f"{words}{about}", source=f"recording {recording.path.name}")
