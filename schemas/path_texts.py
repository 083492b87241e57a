r"""Paths as texts in TOML, in which a backslash between double quotes begins an escape.

So ``"C:\dumps"`` is no TOML, and ``"C:\new"`` is, with a line feed in it.
"""

from __future__ import annotations

import re
from typing import Annotated

from pydantic import AfterValidator

__all__ = ["PathText", "backslash_hint"]

_LETTERS = {"\b": "b", "\t": "t", "\n": "n", "\f": "f", "\r": "r"}
_QUOTED_BACKSLASH = re.compile(r'^[^#\']*"[^"]*\\')
_OF_A_TEXT = ("Unescaped", "Invalid hex", "Escaped character", "Illegal character", "Unterminated")
_ADVICE = "write the path with / or in single quotes"


def backslash_hint(text: str, line: int, fault: str) -> str:
    """What to do where a line that is no TOML, or the one before, has "\\" in double quotes.

    *fault* is what tomllib says of it; "" is given where that has another cause.
    """
    if not fault.startswith(_OF_A_TEXT):
        return ""
    lines = text.splitlines()
    near = lines[max(0, line - 2) : line]
    if not any(_QUOTED_BACKSLASH.match(each) for each in near):
        return ""
    return f"; in double quotes a backslash begins an escape: {_ADVICE}"


def _path_text(value: str) -> str:
    for character, letter in _LETTERS.items():
        if character in value:
            raise ValueError(
                f"holds what \\{letter} stands for in double quotes (character {ord(character)}): "
                f"{_ADVICE}"
            )
    return value


PathText = Annotated[str, AfterValidator(_path_text)]
"""A path of a TOML file, in which no escape was meant."""
