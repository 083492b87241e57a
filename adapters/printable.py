r"""Other people's text, made harmless before it leaves for a terminal, a broker or a spreadsheet.

A guest's strings, names in files and archives, a producer's or a broker's words may hold anything:
control functions that a terminal obeys (ECMA-48: ESC, the C1 controls), line ends that forge a line
of ours, marks that turn the order in which letters are read (Unicode's UAX #9), letters that have
no shape and hide what they stand in, and lone surrogates that no encoding has.  Each is written as
an escape that is seen, such as ``\x1b`` or ``\u202e``.  Which they are
says :mod:`schemas.seen_letters`.

    printable          one line, for cells, names and reasons
    printable_message  an error's words, whose own lines about an expression stay
    printable_lines    several lines of ours: line feeds stay, and nothing else
    json_text          JSON that says the same data in characters that are harmless
    spreadsheet_cell   a cell of CSV that no spreadsheet takes for a formula
"""

from __future__ import annotations

import json
import math
import re
import unicodedata
from typing import Any

from schemas.seen_letters import all_seen

__all__ = ["json_text", "printable", "printable_lines", "printable_message", "spreadsheet_cell"]

_CARET = re.compile(r"\n    (?P<shown>[^\n]*)\n(?P<caret> *\^)\Z")
"""How ExpressionError ends: the expression, and a sign under the place."""

_FORMULA = re.compile(r'(?:^|(?<=[,;\t]))(?=[\s"\']*[=+\-@＝＋－＠])')
"""Where a formula could begin: in front, or where a spreadsheet may divide the cell in two."""


def printable(text: str) -> str:
    r"""*text* in one line, with every character that steers a terminal or an eye as an escape.

    These become ``\x1b``, ``\u202e`` and so on: control, format, direction and private characters,
    separators but the space, letters without a shape, what Unicode has not assigned, and lone
    surrogates.  A selector that stands behind a sign and says how it is drawn stays.
    """
    if all_seen(text):
        return text
    return "".join(
        letter if _is_selected(text, place) else _shown(letter) for place, letter in enumerate(text)
    )


def printable_lines(text: str) -> str:
    """*text* as :func:`printable` gives it, but for line feeds, which stay."""
    return "\n".join(map(printable, text.split("\n")))


def printable_message(text: str) -> str:
    """An error's message: one line, and below it the two lines that show an expression's fault.

    Line feeds in names and values in it are not ours, and become escapes.
    """
    caret = _CARET.search(text)
    if caret is None:
        return printable(text)
    shown = printable(caret["shown"])
    return f"{printable(text[: caret.start()])}\n    {shown}\n{caret['caret']}"


def json_text(value: Any, **options: Any) -> str:
    r"""*value* as JSON whose reader gets exactly it, and whose text steers nothing.

    Letters stay as they are; what :func:`printable` would escape becomes ``\u202e`` and so on, by
    RFC 8259, section 7.  *options* are those of ``json.dumps``.
    """
    text = json.dumps(value, ensure_ascii=False, **options)
    return "\n".join(
        line if all_seen(line) else "".join(map(_shown_in_json, line)) for line in text.split("\n")
    )


def spreadsheet_cell(value: object) -> object:
    """*value* for a cell of a CSV file: numbers as they are, text such that it stays text.

    A text that a spreadsheet would take for a formula gets a ``'`` in front, as OWASP's page on CSV
    injection has it (https://owasp.org/www-community/attacks/CSV_Injection); also behind a comma, a
    semicolon or a tab within it, by which some divide cells whatever the quotation marks say.
    """
    if isinstance(value, bool | int) or value is None:
        return value
    if isinstance(value, float) and math.isfinite(value):
        return value
    return _FORMULA.sub("'", printable(str(value)))


def _is_selected(text: str, place: int) -> bool:
    """Whether a picture's selector stands there: emoji-variation-sequences.txt of Unicode."""
    if place == 0 or text[place] not in "\ufe0e\ufe0f":
        return False
    before = text[place - 1]
    return unicodedata.category(before) == "So" or before in "#*0123456789"


def _shown(letter: str) -> str:
    if all_seen(letter):
        return letter
    code = ord(letter)
    if code < 0x100:
        return f"\\x{code:02x}"
    return f"\\u{code:04x}" if code < 0x10000 else f"\\U{code:08x}"


def _shown_in_json(letter: str) -> str:
    if all_seen(letter):
        return letter
    units = letter.encode("utf-16-be", "surrogatepass")
    return "".join(f"\\u{units[i] << 8 | units[i + 1]:04x}" for i in range(0, len(units), 2))
