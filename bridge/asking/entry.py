"""What a person types for the bytes that a console shows, as those bytes.

Hexadecimal is what a memory display shows: as many digits as the bytes have, or fewer behind 0x.
Other digits are a decimal number, and so are those behind a sign.  A float is the nearest value
that the type holds, ties to even, found exactly: by way of a double it may be another.
"""

from __future__ import annotations

import re
import struct
from fractions import Fraction

from bridge.asking.question import Question
from bridge.expressions.leaf_types import value_type
from bridge.values.value_type import show_value
from schemas.layout import Enumeration, FixedPoint, FlagSet, Leaf, Scalar
from schemas.toml_file import nearest

__all__ = ["MAX_TYPED", "WrongAnswer", "entered", "expected", "taken_words"]

MAX_TYPED = 400
"""Characters of an answer."""
_HEX = re.compile(r"[0-9a-fA-F]+")
_WHOLE = re.compile(r"[+-]?[0-9]+")
_DECIMAL = re.compile(r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]{1,4})?")
_MAX_DIGITS = 120


class WrongAnswer(Exception):
    """An answer that cannot be the bytes asked for: what is wrong with it, and what is expected."""


def entered(text: str, question: Question, order: str) -> bytes:
    """The bytes of an answer, in guest order; *order* is the guest's, ``>`` or ``<``.

    Raises WrongAnswer.
    """
    given = text.strip()
    if len(given) > MAX_TYPED:
        raise WrongAnswer(f"expected at most {MAX_TYPED} characters, found {len(given)}")
    given = given.removeprefix("=").strip()
    if not given:
        raise WrongAnswer(f"nothing was typed: expected {expected(question)}")
    size, digits = question.size, "".join(given.split())
    if digits[:2].lower() == "0x":
        return _hexadecimal(digits[2:], question, order, prefixed=True)
    if _HEX.fullmatch(digits) and len(digits) == 2 * size:
        # bytes apart stand in the order of their addresses, as a memory display has them
        apart = len(given.split()) > 1
        return bytes.fromhex(digits) if apart else _hexadecimal(digits, question, order)
    if question.is_number:
        leaf = question.whole
        if leaf is not None and (found := _special(given, leaf)) is not None:
            return found
        if "decimal" in question.answers and _WHOLE.fullmatch(given):
            return _decimal(given, question, order)
    if _HEX.fullmatch(digits):
        raise WrongAnswer(f"{given} has {len(digits)} digits: expected {expected(question)}")
    hint = nearest(given, list(question.names)) if question.names else ""
    raise WrongAnswer(f'"{given}" is not an answer: expected {expected(question)}{hint}')


def expected(question: Question) -> str:
    """What an answer may be."""
    digits = 2 * question.size
    if not question.is_number:
        return f"{digits} hexadecimal digits, byte by byte"
    forms = [f"{digits} hexadecimal digits", "fewer behind 0x"]
    if "float" in question.answers:
        forms.append("a number such as 1.5")
    if "decimal" in question.answers:
        forms.append("a decimal number")
    if question.names:
        forms.append("a name" if "name" in question.answers else "names")
    return f"{', '.join(forms[:-1])} or {forms[-1]}"


def taken_words(question: Question, data: bytes) -> str:
    """Which bits were taken, and what they mean: ``0x40490FDB = 3.1415927``."""
    leaf = question.whole
    if not question.is_number:
        return data.hex(" ").upper()
    stored_as = question.fields[0].leaf
    is_little = stored_as is not None and stored_as.packing.format[0] == "<"
    whole = int.from_bytes(data, "little" if is_little else "big")
    shown = f"0x{whole:0{2 * len(data)}X}"
    if leaf is None:
        return f"{shown} = {whole}"
    kind, stored = value_type(leaf), leaf.packing.unpack(data)[0]
    if kind.address:
        return shown
    value = leaf.value(stored)
    if isinstance(value, float) and value != value:
        return f"{shown}, not a number"
    return f"{shown} = {show_value(value, kind, '')}"


def _hexadecimal(digits: str, question: Question, order: str, *, prefixed: bool = False) -> bytes:
    size = question.size
    if not _HEX.fullmatch(digits):
        raise WrongAnswer(f"expected hexadecimal digits, found {digits or 'nothing behind 0x'}")
    if not question.is_number:
        if len(digits) != 2 * size:
            raise WrongAnswer(f"expected {2 * size} digits, found {len(digits)}")
        return bytes.fromhex(digits)
    if len(digits) > 2 * size:
        raise WrongAnswer(f"expected at most {2 * size} digits, found {len(digits)}")
    return int(digits, 16).to_bytes(size, "little" if order == "<" else "big")


def _decimal(given: str, question: Question, order: str) -> bytes:
    leaf, size = question.whole, question.size
    signed = isinstance(leaf, Scalar) and leaf.signed
    signed = signed or (isinstance(leaf, Enumeration) and leaf.base.signed)
    bits = 8 * size
    low, high = (-(1 << bits - 1), (1 << bits - 1) - 1) if signed else (0, (1 << bits) - 1)
    if len(given) > _MAX_DIGITS or not low <= (number := int(given)) <= high:
        raise WrongAnswer(f"{given[:24]} does not fit: expected {low} to {high}")
    return number.to_bytes(size, "little" if order == "<" else "big", signed=signed)


def _special(given: str, leaf: Leaf) -> bytes | None:
    """An answer in the leaf's own terms: a float, or a name; None where it is neither."""
    if isinstance(leaf, Enumeration | FlagSet):
        return _named(given, leaf)
    if isinstance(leaf, FixedPoint):
        return None if not _DECIMAL.fullmatch(given) else _fixed(given, leaf)
    if isinstance(leaf, Scalar) and leaf.floating:
        if (infinite := given.lower().lstrip("+-")) in ("inf", "infinity"):
            sign = "-" if given.startswith("-") else ""
            return leaf.packing.pack(float(sign + infinite))
        return None if not _DECIMAL.fullmatch(given) else _nearest_float(given, leaf)
    return None


def _named(given: str, leaf: Enumeration | FlagSet) -> bytes | None:
    known = leaf.members if isinstance(leaf, Enumeration) else leaf.bits
    names = {name.lower(): name for name in known}
    if len(names) < len(known):
        names = {name: name for name in known}
    words = [word.strip() for word in given.split(",")]
    found = [word if word in known else names.get(word.lower(), "") for word in words]
    if not all(found):
        return None
    if isinstance(leaf, Enumeration):
        return leaf.packing.pack(known[found[0]]) if len(found) == 1 else None
    return leaf.packing.pack(sum(1 << known[name] for name in set(found)))


def _fraction(given: str) -> Fraction:
    if len(given) > _MAX_DIGITS:
        raise WrongAnswer(f"expected at most {_MAX_DIGITS} characters, found {len(given)}")
    return Fraction(given)


def _fixed(given: str, leaf: FixedPoint) -> bytes:
    bits = 8 * leaf.size
    stored = round(_fraction(given) * (1 << leaf.fraction_bits))  # ties to even
    if not -(1 << bits - 1) <= stored < 1 << bits - 1:
        raise WrongAnswer(f"{given} does not fit in {leaf.type_name}")
    return leaf.packing.pack(stored)


def _nearest_float(given: str, leaf: Scalar) -> bytes:
    exact = _fraction(given)
    order, size = leaf.packing.format[0], leaf.size
    fraction_bits, bias = (23, 127) if size == 4 else (52, 1023)
    sign = given.startswith("-")
    magnitude = abs(exact)
    # the patterns of values that are not negative are in the values' order
    pattern = _pattern(magnitude, fraction_bits, bias)
    if pattern >= (2 * bias + 1) << fraction_bits:
        raise WrongAnswer(f"{given} is too large for {leaf.type_name}")
    pattern |= int(sign) << (8 * size - 1)
    return struct.pack(f"{order}{'I' if size == 4 else 'Q'}", pattern)


def _pattern(magnitude: Fraction, fraction_bits: int, bias: int) -> int:
    """The bits of the nearest binary float to a number that is not negative, ties to even."""
    if not magnitude:
        return 0
    exponent = magnitude.numerator.bit_length() - magnitude.denominator.bit_length()
    if Fraction(2) ** exponent > magnitude:
        exponent -= 1
    exponent = max(exponent, 1 - bias)
    units = round(magnitude / Fraction(2) ** (exponent - fraction_bits))
    # where it rounds up to the next power of two, the carry makes the exponent right
    return ((exponent + bias - 1) << fraction_bits) + units
