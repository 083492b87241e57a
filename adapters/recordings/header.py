"""What a recording says of itself: the message on ``lowhalf/bridge``, in JSON."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from bridge.memory.address_map import Region
from bridge.prepared import memory_map
from schemas.layout_file import layout_text
from schemas.loader import Bridge

__all__ = ["BRIDGE_JSON_SCHEMA", "VERSION", "About", "checked_regions", "decode_about"]

VERSION = 2
"""Of the form of recordings."""

_MAX_MEMORY = 4 << 30
"""Bytes of all regions: whoever reads a recording has room for all of them."""

BRIDGE_JSON_SCHEMA: dict[str, Any] = {
    "title": "lowhalf.bridge",
    "type": "object",
    "required": ["version", "build", "source", "regions", "schema", "bridge", "layouts"],
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
        "layouts": {
            "type": "object",
            "description": "the layout files that it names, as text, by their names in it",
            "additionalProperties": {"type": "string"},
        },
        "plans": {
            "type": "object",
            "description": "the plan files that it names, likewise; missing where it names none",
            "additionalProperties": {"type": "string"},
        },
    },
}


@dataclass(frozen=True, slots=True)
class About:
    """What was recorded: the two files as text, the build, the source's name, the regions.

    ``layouts`` are the layout files that the bridge file names, as text, by the names that it gives
    them, and ``plans`` the plan files.
    """

    schema: str
    bridge: str
    build: str
    source: str
    regions: Sequence[Region]
    layouts: Mapping[str, str] = field(default_factory=dict)
    plans: Mapping[str, str] = field(default_factory=dict)

    @classmethod
    def of(cls, bridge: Bridge, build: str, source: str) -> About:
        """What a recording by *bridge* says of itself."""
        layouts: dict[str, str] = {}
        plans: dict[str, str] = {}
        for layout in bridge.schema.builds.values():
            for name, saved in layout.saved_layouts.items():
                layouts[name] = layout_text(saved.file)
            for name, plan in layout.saved_plans.items():
                if plan is not None:
                    from schemas.plan_file import plan_text

                    plans[name] = plan_text(plan)
        regions = [Region(r.name, r.start, r.size) for r in memory_map(bridge.schema).regions]
        return cls(bridge.schema.text, bridge.text.text, build, source, regions, layouts, plans)

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
                "layouts": dict(self.layouts),
                **({"plans": dict(self.plans)} if self.plans else {}),
            }
        ).encode()


def decode_about(message: bytes) -> About:
    """Raises ValueError with words where the message is damaged or of a later version."""
    try:
        found = json.loads(message)
        version = found["version"]
        if version != VERSION:
            raise ValueError(f"version {version}, expected {VERSION}: a later lowhalf may read it")
        regions = checked_regions(
            Region(_text(r, "name"), _size(r, "start"), _size(r, "size")) for r in found["regions"]
        )
        return About(
            schema=_text(found, "schema"),
            bridge=_text(found, "bridge"),
            layouts={name: _text(found["layouts"], name) for name in found["layouts"]},
            plans={name: _text(found["plans"], name) for name in found.get("plans", {})},
            build=_text(found, "build"),
            source=_text(found, "source"),
            regions=regions,
        )
    except (KeyError, TypeError, RecursionError) as fault:
        raise ValueError(f"no {fault} in lowhalf/bridge") from fault


def checked_regions(regions: Iterable[Region]) -> list[Region]:
    """The regions.  Raises ValueError where they overlap, or are more than can be recorded."""
    found = list(regions)
    at = total = 0
    for region in sorted(found, key=lambda each: each.start):
        if not region.size or region.end > 1 << 64:
            raise ValueError(f"region {region.name}: expected bytes inside 64 bits of addresses")
        if region.start < at:
            raise ValueError(f"region {region.name} overlaps another")
        at, total = region.end, total + region.size
    if total > _MAX_MEMORY:
        raise ValueError(f"regions of {total} bytes, more than the {_MAX_MEMORY} of a recording")
    return found


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
