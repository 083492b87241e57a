"""What a recording is called in MCAP: its beginning, its writer, its channels."""

from __future__ import annotations

from typing import Any

__all__ = [
    "BRIDGE",
    "GAPS",
    "GAPS_JSON_SCHEMA",
    "KEY",
    "LIBRARY",
    "MAGIC",
    "MARKS",
    "MARKS_JSON_SCHEMA",
    "RAM",
    "RAM_ENCODING",
    "READINGS",
    "READINGS_JSON_SCHEMA",
    "SINCE_KEY",
]

MAGIC = b"\x89MCAP0\r\n"
"""How every MCAP file begins and ends."""

RAM = "lowhalf/ram"
KEY = "lowhalf/ram/key"
SINCE_KEY = "lowhalf/ram/since-key"
GAPS = "lowhalf/gaps"
READINGS = "lowhalf/readings"
MARKS = "lowhalf/marks"
"""Only where keys are named by which marks are made."""
BRIDGE = "lowhalf/bridge"

LIBRARY = "lowhalf"
"""How the header names the writer; the profile stays empty, since MCAP lists no fitting one."""
RAM_ENCODING = "x-lowhalf-ram"

READINGS_JSON_SCHEMA: dict[str, Any] = {
    "title": "lowhalf.readings",
    "type": "object",
    "required": ["frame", "time", "build", "source", "consistency", "readings"],
    "properties": {
        "frame": {"type": "integer", "description": "the game's own number of the frame"},
        "time": {"type": "number", "description": "seconds since the Unix epoch"},
        "build": {"type": "string"},
        "source": {"type": "string"},
        "consistency": {"enum": ["still", "guarded", "halted", "sender", "unguarded"]},
        "readings": {
            "type": "array",
            "items": {
                "type": "object",
                "required": ["watch", "status", "value", "text", "address", "target", "reason"],
                "properties": {
                    "watch": {"type": "string"},
                    "status": {"type": "string"},
                    "value": {"type": ["number", "string", "boolean", "null"]},
                    "text": {"type": "string"},
                    "address": {"type": ["integer", "null"], "description": "guest address"},
                    "target": {"enum": ["hit", "miss", "unknown", None]},
                    "reason": {"type": "string"},
                },
            },
        },
    },
}

GAPS_JSON_SCHEMA: dict[str, Any] = {
    "title": "lowhalf.gaps",
    "type": "object",
    "required": ["frame", "last", "missed", "reason"],
    "properties": {
        "frame": {"type": "integer", "description": "the first frame behind the gap"},
        "last": {"type": ["integer", "null"], "description": "the last frame before it"},
        "missed": {"type": ["integer", "null"], "description": "frames between; null if unknown"},
        "reason": {"type": "string"},
    },
}

MARKS_JSON_SCHEMA: dict[str, Any] = {
    "title": "lowhalf.marks",
    "type": "object",
    "required": ["frame", "name"],
    "properties": {
        "frame": {"type": "integer", "description": "the newest frame when the key was pressed"},
        "name": {"type": "string", "description": "the action that was done"},
    },
}
