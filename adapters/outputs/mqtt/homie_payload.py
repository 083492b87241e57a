"""Payloads that the Homie convention asks for whatever they are of.  No I/O.

Convention 5.0.0, "Payloads": UTF-8, without a byte order mark.  "Empty string values": the empty
string is one zero byte, since MQTT takes no byte at all for the order to delete the topic.
"""

from __future__ import annotations

from typing import Any

from adapters.printable import json_text, printable

__all__ = ["DELETED", "homie_json", "homie_string"]

DELETED = b""
"""The payload that makes a broker forget what it retained of a topic."""

_MARK = "\ufeff"


def homie_string(text: str) -> bytes:
    """A string, without the character that is a byte order mark, wherever it stands: within a text
    it is an invisible space of no width.  What else would steer a subscriber's terminal is escaped.
    """
    return printable(text.replace(_MARK, "")).encode() or b"\0"


def homie_json(content: Any) -> bytes:
    """JSON, whose strings are exact: the mark stands as an escape.  Raises ValueError for NaN."""
    return json_text(content, separators=(",", ":"), allow_nan=False).encode()
