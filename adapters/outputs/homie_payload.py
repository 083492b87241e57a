"""Payloads that the Homie convention asks for whatever they are of.  No I/O.

Convention 5.0.0, "Payloads": UTF-8, without a byte order mark.  "Empty string values": the empty
string is one zero byte, since MQTT takes no byte at all for the order to delete the topic.
"""

from __future__ import annotations

import json
from typing import Any

DELETED = b""
"""The payload that makes a broker forget what it retained of a topic."""

_MARK = "\ufeff"


def homie_string(text: str) -> bytes:
    """A string, without the character that is a byte order mark, wherever it stands: within a text
    it is an invisible space of no width.
    """
    return text.replace(_MARK, "").encode("utf-8", "replace") or b"\0"


def homie_json(content: Any) -> bytes:
    """JSON, in whose strings the mark stands as an escape.  Raises ValueError for NaN."""
    text = json.dumps(content, ensure_ascii=False, separators=(",", ":"), allow_nan=False)
    return text.replace(_MARK, "\\ufeff").encode("utf-8", "replace")
