"""Which letters of a text are seen as they are, and which steer a terminal or a reader's eye."""

from __future__ import annotations

import re

__all__ = ["all_seen", "toml_string"]

# Letters by category, and yet without a shape: Default_Ignorable_Code_Point in Unicode's
# DerivedCoreProperties.txt, those of its ranges that str.isprintable lets through.
_SHAPELESS = re.compile(
    "[\u034f\u115f\u1160\u17b4\u17b5\u180b-\u180d\u180f\u3164\ufe00-\ufe0f\uffa0"
    "\U000e0100-\U000e01ef]"
)


def all_seen(text: str) -> bool:
    """Whether no letter of *text* is a control, a format or direction mark, a separator but the
    space, shapeless, private, not assigned, or a lone surrogate."""
    return text.isprintable() and (text.isascii() or not _SHAPELESS.search(text))


def toml_string(text: str) -> str:
    """A basic string of TOML 1.0.0; what is not seen is written as an escape.

    Lone surrogates, which no TOML can hold, become escapes that its readers refuse.
    """
    return '"' + "".join(map(_in_toml, text)) + '"'


def _in_toml(letter: str) -> str:
    if letter in '"\\':
        return "\\" + letter
    if all_seen(letter):
        return letter
    code = ord(letter)
    return f"\\u{code:04X}" if code < 0x10000 else f"\\U{code:08X}"
