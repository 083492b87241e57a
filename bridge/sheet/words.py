"""A sheet's words for how values are stored, seen and reached."""

from __future__ import annotations

from bridge.sheet.document import Span, Style, Text
from bridge.sheet.recipe import Stored, Sum
from bridge.values.value_type import ValueType

__all__ = ["bytes_words", "formula_text", "hexadecimal", "seen_words", "stored_words", "sum_text"]

_MINUS = "\N{MINUS SIGN}"


def hexadecimal(number: int, digits: int = 0) -> str:
    """Digits without 0x, as a sheet has them."""
    return f"{number:0{digits}X}" if number >= 0 else f"{_MINUS}{-number:0{digits}X}"


def bytes_words(count: int) -> str:
    """``2 bytes``."""
    return f"{count:,} byte{'s' * (count != 1)}"


def stored_words(stored: Stored) -> str:
    """How the bytes are to be taken: ``binary32``, ``signed``."""
    if stored.kind == "fixed":
        return f"signed, in units of 1/{1 << stored.fraction:,} ({stored.type})"
    if stored.kind == "bits":
        last = stored.lowest + stored.width - 1
        which = f"bit {last}" if stored.width == 1 else f"bits {stored.lowest} to {last}"
        return f"{which}{' as signed' * stored.signed}, 0 the lowest"
    if stored.kind == "flag":
        return f"bit {stored.lowest}, 0 the lowest: {stored.names[0][1]}"
    if stored.kind == "text":
        return "text, up to a zero byte"
    if stored.type.endswith("*"):
        return "an address"
    if stored.type == "angle16":
        return "an angle, 65,536 a turn"
    if stored.names:
        return f"{stored.type}, {stored.kind}"
    return stored.kind


def seen_words(kind: ValueType, show: str, stored: Stored | None) -> str:
    """How the watch shows its value, behind how it is stored: ``binary32, 3 decimals``."""
    base = "" if stored is None else stored_words(stored)
    seen = _shown(kind, show)
    return ", ".join(part for part in (base, seen) if part)


def _shown(kind: ValueType, show: str) -> str:
    if show.startswith("fixed:"):
        return f"to {show[6:]} decimal{'s' * (show != 'fixed:1')}"
    if show == "hex" or (not show and kind.address):
        return "in hexadecimal"
    if show == "binary":
        return "in binary digits"
    if show == "degrees":
        return "in degrees"
    if show in ("", "name") and (kind.members or kind.flags):
        return "by name"
    if show == "decimal" or (not show and kind.kind == "integer"):
        return "in decimal"
    return ""


def sum_text(at: Sum, pointer_size: int) -> Text:
    """An address as a person adds it up: ``80180C9C``, ``P + 2E``, ``P + N1 × 10 + 4``."""
    terms: list[Text] = []
    if at.base:
        terms.append((Span(at.base, Style.STRONG),))
    elif at.add or not at.times:
        terms.append((Span(hexadecimal(at.add, 2 * pointer_size), Style.DIGITS),))
    for letter, size in at.times:
        terms.append(
            (Span(letter, Style.STRONG), Span(" × "), Span(hexadecimal(size), Style.DIGITS))
        )
    if at.base and at.add:
        sign = " + " if at.add >= 0 else f" {_MINUS} "
        terms.append((Span(hexadecimal(abs(at.add)), Style.DIGITS),))
        return _with_sign(terms, sign)
    return _with_sign(terms, " + ")


def _with_sign(terms: list[Text], last: str) -> Text:
    found: list[Span] = []
    for number, term in enumerate(terms):
        if number:
            found.append(Span(last if number == len(terms) - 1 else " + "))
        found += term
    return tuple(found)


def formula_text(formula: str) -> Text:
    """A formula, as it is in the expression language."""
    return (Span(formula, Style.CODE),)
