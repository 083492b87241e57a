"""Counts of bytes as people write them: ``4096``, ``"4 KiB"``, ``"8 MiB"``."""

from __future__ import annotations

import re
from typing import Annotated, Any

from pydantic import BeforeValidator, Field

__all__ = ["ByteCount", "byte_count"]

_UNITS = {"B": 1, "KiB": 1 << 10, "MiB": 1 << 20, "GiB": 1 << 30}
_TEXT = re.compile(
    r"\s*(0[xX](?:_?[0-9A-Fa-f]){1,16}|0|[1-9](?:_?[0-9]){0,18})\s*(B|KiB|MiB|GiB)?\s*"
)


def byte_count(value: Any) -> Any:
    """An integer from a text with a binary unit (IEC 80000-13); other values pass unchanged.

    Raises ValueError for a text that is not such a count.
    """
    if not isinstance(value, str):
        return value
    match = _TEXT.fullmatch(value)
    if match is None:
        raise ValueError(f'expected a count such as 4096 or "4 MiB", found "{value}"')
    return int(match[1], 0) * _UNITS[match[2] or "B"]


ByteCount = Annotated[
    int, BeforeValidator(byte_count, json_schema_input_type=int | str), Field(ge=0)
]
