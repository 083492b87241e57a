"""Lengths of time as people write them: ``90``, ``"90 s"``, ``"10 min"``, ``"2 h"``."""

from __future__ import annotations

import re
from typing import Annotated, Any

from pydantic import BeforeValidator

__all__ = ["Duration", "duration"]

_UNITS = {"s": 1.0, "min": 60.0, "h": 3600.0}
_TEXT = re.compile(r"\s*([0-9]{1,9}(?:\.[0-9]{1,6})?)\s*(s|min|h)?\s*")


def duration(value: Any) -> Any:
    """Seconds from a text with a unit (those of ISO 80000-3); other values pass unchanged.

    Raises ValueError for a text that is no length of time.
    """
    if not isinstance(value, str):
        return value
    match = _TEXT.fullmatch(value)
    if match is None:
        raise ValueError(f'expected a length of time such as "10 min" or "90 s", found "{value}"')
    return float(match[1]) * _UNITS[match[2] or "s"]


Duration = Annotated[float, BeforeValidator(duration)]
"""Seconds."""
