"""Type texts of a schema: ``Actor*``, ``u8[4][3]``, ``char[16]``, ``q16.16``.

    type    = name { "*" } { "[" count "]" }
    name    = scalar, "angle16", "qM.N", "char" (only with a count), or a struct's, an enum's or a
              flags' name

As in C, ``T[N][M]`` is N arrays of M elements, and ``T*[N]`` an array of N pointers.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

__all__ = ["MAX_ELEMENTS", "MAX_LEVELS", "TypeName", "parse_type"]

_TYPE = re.compile(
    r"\s*(?P<name>q[0-9]{1,2}\.[0-9]{1,2}|[A-Za-z_][A-Za-z0-9_]*)\s*(?P<stars>(?:\*\s*)*)"
    r"(?P<counts>(?:\[\s*(?:0[xX][0-9A-Fa-f]{1,8}|0|[1-9][0-9]{0,9})\s*\]\s*)*)"
)
_COUNT = re.compile(r"\[\s*(\w+)\s*\]")
MAX_ELEMENTS = 1 << 24
MAX_LEVELS = 16
"""Pointers and dimensions of a type; a C compiler need not take more than 12 of both
(ISO C 5.2.4.1)."""


@dataclass(frozen=True, slots=True)
class TypeName:
    """A parsed type text: innermost name, count of pointers, and the counts, outermost first."""

    name: str
    pointers: int = 0
    counts: tuple[int, ...] = ()

    def __str__(self) -> str:
        return self.name + "*" * self.pointers + "".join(f"[{n}]" for n in self.counts)


def parse_type(text: str) -> TypeName:
    """The parts of a type text.  Raises ValueError with the reason."""
    match = _TYPE.fullmatch(text)
    if match is None:
        raise ValueError(
            f'"{text}" is not a type; expected for example u16, Actor*, u8[4] or char[16]'
        )
    counts = tuple(int(count, 0) for count in _COUNT.findall(match["counts"]))
    total = 1
    for count in counts:
        total *= count
        if not count or total > MAX_ELEMENTS:
            raise ValueError(f'"{text}": expected counts of 1 to {MAX_ELEMENTS} elements in all')
    name = TypeName(match["name"], match["stars"].count("*"), counts)
    for found, what in ((name.pointers, "*"), (len(counts), "[…]")):
        if found > MAX_LEVELS:
            raise ValueError(f'"{text[:40]}…": expected at most {MAX_LEVELS} {what}, found {found}')
    if name.name == "char" and (name.pointers or not counts):
        raise ValueError(f'"{text}": char needs a length, as in char[16]')
    return name
