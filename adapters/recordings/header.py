"""What a recording says of itself: the message on ``lowhalf/bridge``, in JSON."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from bridge.memory.address_map import Region

__all__ = ["BRIDGE_JSON_SCHEMA", "VERSION", "About", "decode_about"]

VERSION = 2
"""Of the form of recordings."""

BRIDGE_JSON_SCHEMA: dict[str, Any] = {
    "title": "lowhalf.bridge",
    "type": "object",
    "required": ["version", "build", "source", "regions", "schema", "bridge"],
    "properties": {
        "version": {"const": VERSION, "description": "of the form of lowhalf's recordings"},
        "build": {"type": "string", "description": "the game's build, empty where unknown"},
        "source": {"type": "string", "description": "where the memory came from"},
        "regions": {
            "type": "array",
            "items": {
                "type": "object",
                "required": ["name", "start", "size"],
                "properties": {
                    "name": {"type": "string"},
                    "start": {"type": "integer", "description": "guest address"},
                    "size": {"type": "integer", "description": "bytes"},
                },
            },
        },
        "schema": {"type": "string", "description": "the schema file as text"},
        "bridge": {"type": "string", "description": "the bridge file as text"},
    },
}


@dataclass(frozen=True, slots=True)
class About:
    """What was recorded: the two files as text, the build, the source's name, the regions."""

    schema: str
    bridge: str
    build: str
    source: str
    regions: Sequence[Region]

    def encode(self) -> bytes:
        """The message's bytes."""
        regions = [{"name": r.name, "start": r.start, "size": r.size} for r in self.regions]
        return json.dumps(
            {
                "version": VERSION,
                "build": self.build,
                "source": self.source,
                "regions": regions,
                "schema": self.schema,
                "bridge": self.bridge,
            }
        ).encode()


def decode_about(message: bytes) -> About:
    """Raises ValueError with words where the message is damaged or of a later version."""
    try:
        found = json.loads(message)
        version = found["version"]
        if version != VERSION:
            raise ValueError(f"version {version}, expected {VERSION}: a later lowhalf may read it")
        regions = [
            Region(_text(r, "name"), _size(r, "start"), _size(r, "size")) for r in found["regions"]
        ]
        return About(
            schema=_text(found, "schema"),
            bridge=_text(found, "bridge"),
            build=_text(found, "build"),
            source=_text(found, "source"),
            regions=regions,
        )
    except (KeyError, TypeError, RecursionError) as fault:
        raise ValueError(f"no {fault} in lowhalf/bridge") from fault


def _text(table: dict[str, Any], key: str) -> str:
    value = table[key]
    if not isinstance(value, str):
        raise TypeError(f"text for {key}")
    return value


def _size(table: dict[str, Any], key: str) -> int:
    value = table[key]
    if not isinstance(value, int) or not 0 <= value < 1 << 64:
        raise TypeError(f"number for {key}")
    return value
