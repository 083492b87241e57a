"""Texts as rude as they can be, for tests of everything that shows other people's text."""

from __future__ import annotations

import re
import unicodedata

FORGED = "FORGED"
"""What an evil text begins a line of its own with, if it can."""

STEERING = {
    "ESC and CSI of ECMA-48": "\x1b[2J\x1b]0;title\x07",
    "C1 controls": "\x80\x85\x9b31m\x9d",
    "carriage return, line feed": f"\r\n{FORGED}",
    "NUL, BEL, BS, DEL": "\x00\x07\x08\x7f",
    "line and paragraph separators": f"\u2028{FORGED}\u2029{FORGED}",
    "bidi marks, embeddings, isolates (UAX #9)": "\u061c\u200e\u200f\u202a\u202b\u202d\u202e\u2066",
    "no width": "\u200b\u200c\u200d\u2060\ufeff\u00ad\u180e",
    "no shape": "\u034f\u115f\u3164\uffa0\ufe0f\U000e0101",
    "tags": "\U000e0001\U000e0041",
}
LONE = "\udc80\udcff\ud800"
"""Lone surrogates; as file names, Python gives the first two for bytes that are no UTF-8."""

EVIL = "Wren" + "".join(STEERING.values()) + "=1"
"""All that TOML can hold, and guest bytes in UTF-8."""

_SHAPELESS = re.compile("[\u034f\u115f\u1160\u17b4\u17b5\u180b-\u180f\u3164\ufe00\ufe0f\uffa0]")


def steering(text: str) -> list[str]:
    """The characters of *text*, but for line feeds, that steer a terminal or an eye.

    By general category: controls, formats, surrogates, separators of lines and paragraphs; and
    selectors and fillers, which other categories hold.
    """
    return [
        f"U+{ord(letter):04X}"
        for letter in text
        if letter != "\n"
        and (
            unicodedata.category(letter) in ("Cc", "Cf", "Cs", "Zl", "Zp")
            or _SHAPELESS.match(letter)
            or 0xE0000 <= ord(letter) < 0xE1000
        )
    ]


def assert_harmless(printed: str) -> None:
    """Nothing in *printed* steers, and no line of it was forged."""
    assert steering(printed) == []
    assert [line for line in printed.split("\n") if line.startswith(FORGED)] == []
