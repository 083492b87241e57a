"""How a person reaches a value by hand: what to read where, what to add, and what to make of it.

A recipe is a list of *definitions*, each of which gives a letter a meaning, and a formula over the
letters, in the expression language.  A letter is made only where a formula comes to use it: of
``V1 != 0 and V2 == 3`` the second is not read where the first is 0, of ``V1 if V2 else V3`` one of
two.  So a pointer that leads nowhere does no harm where nothing is wanted from behind it.

Addresses are sums, ``Sum``, so that a person can add them up.  Letters are none of the sixteen
digits: P, Q … are addresses that were read, V values, N counts, L the element of a list.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

__all__ = ["Added", "Definition", "Look", "Recall", "Recipe", "Reckon", "Stored", "Sum", "Walk"]


@dataclass(frozen=True, slots=True)
class Added:
    """A part of a sum: so many bytes, for a field or an element of that name.

    ``of_leaf`` is whether it leads into a single value, to its half or to one of its bytes.
    """

    label: str
    offset: int
    of_leaf: bool = False


@dataclass(frozen=True, slots=True)
class Sum:
    """An address: what the letter ``base`` stands for (where it is empty, nothing) and ``add``.

    ``parts`` are what ``add`` is made of, in order, the first one a symbol's address where there is
    no letter.  ``times`` are letters of counts with the bytes that each counts.
    """

    base: str
    add: int
    parts: tuple[Added, ...] = ()
    times: tuple[tuple[str, int], ...] = ()

    def and_then(self, part: Added) -> Sum:
        """The same with the bytes of one more part."""
        return Sum(self.base, self.add + part.offset, (*self.parts, part), self.times)

    def as_json(self) -> dict[str, Any]:
        """The object for ``--json``."""
        return {
            "base": self.base or None,
            "add": self.add,
            "parts": [{"label": part.label, "offset": part.offset} for part in self.parts],
            "times": [{"count": letter, "size": size} for letter, size in self.times],
        }


@dataclass(frozen=True, slots=True)
class Stored:
    """What so many bytes of memory mean.

    ``kind`` is ``unsigned``, ``signed`` (two's complement), ``binary32``, ``binary64``, ``text``
    (UTF-8 up to its first NUL), ``fixed`` (signed, in units of 2 to the minus ``fraction``),
    ``bits`` (``width`` bits of an unsigned number, the lowest of them bit ``lowest``; in two's
    complement where ``signed``) or ``flag`` (whether bit ``lowest`` is set).  ``type`` is what the
    schema calls it, ``names`` are those of its values, or, where ``by_bit`` says so, of its bits.
    """

    size: int
    kind: str
    type: str
    lowest: int = 0
    width: int = 0
    fraction: int = 0
    signed: bool = False
    names: tuple[tuple[int, str], ...] = ()
    by_bit: bool = False

    def as_json(self) -> dict[str, Any]:
        """The object for ``--json``."""
        return {
            "size": self.size,
            "kind": self.kind,
            "type": self.type,
            "lowest": self.lowest,
            "width": self.width,
            "fraction": self.fraction,
            "signed": self.signed,
            "names": [{"value": value, "name": name} for value, name in self.names],
            "by_bit": self.by_bit,
        }


@dataclass(frozen=True, slots=True)
class Look:
    """A letter is what is stored at an address."""

    letter: str
    what: str
    at: Sum
    stored: Stored

    def as_json(self) -> dict[str, Any]:
        """The object for ``--json``."""
        return {
            "do": "read",
            "letter": self.letter,
            "what": self.what,
            "at": self.at.as_json(),
            "stored": self.stored.as_json(),
        }


@dataclass(frozen=True, slots=True)
class Reckon:
    """A letter is what a formula gives."""

    letter: str
    what: str
    formula: str

    def as_json(self) -> dict[str, Any]:
        """The object for ``--json``."""
        return {"do": "reckon", "letter": self.letter, "what": self.what, "formula": self.formula}


@dataclass(frozen=True, slots=True)
class Recall:
    """A letter is the value of a watch, which has a recipe of its own."""

    letter: str
    watch: str

    def as_json(self) -> dict[str, Any]:
        """The object for ``--json``."""
        return {"do": "watch", "letter": self.letter, "watch": self.watch}


@dataclass(frozen=True, slots=True)
class Walk:
    """A letter is what going along a linked list gives.

    The list begins at ``first``; where ``led`` says so, at the address that is stored there.
    ``element`` is the letter of the address of the element at hand; the address of the next one is
    stored ``next_add`` bytes behind it, and 0 ends the list.  An element counts where ``where``
    holds, which is empty where all do; ``each`` is what is taken of it.  ``takes`` is ``first``,
    ``count``, ``sum``, ``min`` or ``max``.  ``inner`` defines the letters that are made anew for
    each element.
    """

    letter: str
    what: str
    first: Sum
    led: bool
    element: str
    next_add: int
    pointer_size: int
    inner: tuple[Definition, ...]
    where: str
    each: str
    takes: str

    def as_json(self) -> dict[str, Any]:
        """The object for ``--json``."""
        return {
            "do": "walk",
            "letter": self.letter,
            "what": self.what,
            "first": self.first.as_json(),
            "led": self.led,
            "element": self.element,
            "next_add": self.next_add,
            "pointer_size": self.pointer_size,
            "inner": [each.as_json() for each in self.inner],
            "where": self.where,
            "each": self.each,
            "takes": self.takes,
        }


Definition = Look | Reckon | Recall | Walk


@dataclass(frozen=True, slots=True)
class Recipe:
    """How one value is reached on one build.

    ``result`` is a formula.  ``reason`` says why it cannot be done by hand; else it is empty.
    ``over_frames`` are the functions in it that want a look at every frame, so that one look does
    not tell the value.
    """

    definitions: tuple[Definition, ...]
    result: str
    over_frames: tuple[str, ...] = ()
    reason: str = ""

    @property
    def by_hand(self) -> bool:
        """Whether one look at memory tells the value."""
        return not self.reason and not self.over_frames

    @property
    def looks(self) -> tuple[Look, ...]:
        """The definitions where they are all looks and the last one is the value; else empty."""
        found = tuple(each for each in self.definitions if isinstance(each, Look))
        whole = len(found) == len(self.definitions) and not self.over_frames and not self.reason
        return found if whole and found and found[-1].letter == self.result else ()

    @property
    def all_looks(self) -> tuple[Look, ...]:
        """Everything that is read, in lists as well."""
        every = (
            part
            for each in self.definitions
            for part in (each.inner if isinstance(each, Walk) else (each,))
        )
        return tuple(part for part in every if isinstance(part, Look))

    @property
    def walks(self) -> bool:
        """Whether a list is gone along."""
        return any(isinstance(each, Walk) for each in self.definitions)

    @property
    def formulas(self) -> tuple[str, ...]:
        """All formulas in it."""
        found = [self.result]
        for each in self.definitions:
            if isinstance(each, Walk):
                inner = (part.formula for part in each.inner if isinstance(part, Reckon))
                found += [each.where, each.each, *inner]
            elif isinstance(each, Reckon):
                found.append(each.formula)
        return tuple(found)

    def as_json(self) -> dict[str, Any]:
        """The object for ``--json``."""
        return {
            "by_hand": self.by_hand,
            "reason": self.reason,
            "over_frames": list(self.over_frames),
            "definitions": [each.as_json() for each in self.definitions],
            "result": self.result,
        }
