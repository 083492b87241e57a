"""Question about guest memory, as a person is asked it: where to look, and at how many bytes.

After the answer the next question has the address that follows, with its sum.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

from bridge.expressions.heap_description import BLOCK
from bridge.memory.address_map import MemoryMap
from bridge.solvers.hex_sum import HexStep, hex_steps
from schemas.layout import (
    BitField,
    Chars,
    Enumeration,
    FixedPoint,
    FlagSet,
    Leaf,
    PointerTo,
    Scalar,
    name_of,
)

__all__ = [
    "RECOGNISE",
    "AddressSum",
    "Answered",
    "Field",
    "Question",
    "canonical",
    "sum_of",
    "words_of",
]

RECOGNISE = "recognise"
"""The place of a build's recognise bytes, as the schema calls them."""


@dataclass(frozen=True, slots=True)
class AddressSum:
    """An address as it comes about: ``base``, and what is added, each with what it is called."""

    base: str
    labels: tuple[str, ...]
    steps: tuple[HexStep, ...]


def sum_of(base: str, start: int, added: Iterable[tuple[str, int]]) -> AddressSum | None:
    """The sum from *start* on, which *base* says in words; None where nothing is added."""
    given = [(label, offset) for label, offset in added if offset]
    if not given or start <= 0:
        return None
    try:
        steps = hex_steps(start, [offset for _, offset in given])
    except ValueError:
        return None
    return AddressSum(base, tuple(label for label, _ in given), tuple(steps))


@dataclass(frozen=True, slots=True)
class Field:
    """One thing that stands where a question looks: ``size`` bytes at a canonical ``address``.

    They are the bytes from ``offset`` on of what ``leaf`` stores, whose text is ``place``; None
    where they are a struct's.
    """

    place: str
    address: int
    size: int
    leaf: Leaf | None = None
    offset: int = 0

    @property
    def whole(self) -> Leaf | None:
        """What they store, where they are all its bytes."""
        leaf = self.leaf
        return leaf if leaf is not None and leaf.size == self.size else None

    @property
    def words(self) -> str:
        """What it is: ``courier.held: a pointer to Actor``."""
        if self.place == RECOGNISE:
            return f"what tells the build: {self.size} bytes"
        if self.place == BLOCK:
            return f"the header of a block of the heap: {self.size} bytes"
        if self.leaf is None:
            return f"{self.place}: {self.size} bytes"
        if self.whole is None:
            last = self.offset + self.size - 1
            which = f"byte {last}" if self.size == 1 else f"bytes {self.offset} to {last}"
            return f"{self.place}: {which} of {words_of(self.leaf)}"
        return f"{self.place}: {words_of(self.leaf)}"


@dataclass(frozen=True, slots=True)
class Question:
    """What stands in ``size`` bytes at a canonical guest address.

    ``number`` counts from 1.  ``needed_by`` are the watches and steps that wait for it.
    ``answers`` are the forms in which it may be answered: hexadecimal, decimal, float,
    name, or names joined by commas.
    ``total`` says how the address comes from a pointer that was typed before.  ``is_constant``
    is of what never changes in a build.
    """

    number: int
    address: int
    size: int
    fields: tuple[Field, ...]
    needed_by: tuple[str, ...]
    total: AddressSum | None = None
    hint: str = ""
    is_constant: bool = False

    @property
    def whole(self) -> Leaf | None:
        """The one value that is asked for; None where it is a part, or several."""
        return self.fields[0].whole if len(self.fields) == 1 else None

    @property
    def is_pointer(self) -> bool:
        """Whether nothing but addresses of something else stands there."""
        return all(isinstance(field.leaf, PointerTo) for field in self.fields)

    @property
    def words(self) -> str:
        """What is asked for, and what for."""
        return "; ".join(field.words for field in self.fields)

    @property
    def is_number(self) -> bool:
        """Whether it is answered as one number, not as bytes in the order of their addresses."""
        leaf = self.whole
        part = len(self.fields) == 1 and self.fields[0].leaf is not None
        return part and not isinstance(leaf, Chars) and self.size <= 8

    @property
    def answers(self) -> tuple[str, ...]:
        if not self.is_number:
            return ("hexadecimal",)
        leaf = self.whole
        if isinstance(leaf, PointerTo):
            return ("hexadecimal",)  # a digit that is left out must not make it decimal
        if isinstance(leaf, FixedPoint) or (isinstance(leaf, Scalar) and leaf.floating):
            return ("hexadecimal", "float")
        if isinstance(leaf, Enumeration):
            return ("hexadecimal", "decimal", "name")
        return (
            ("hexadecimal", "decimal", "names")
            if isinstance(leaf, FlagSet)
            else (
                "hexadecimal",
                "decimal",
            )
        )

    @property
    def names(self) -> Sequence[str]:
        """The names with which it may be answered."""
        leaf = self.whole
        if isinstance(leaf, Enumeration):
            return list(leaf.members)
        return list(leaf.bits) if isinstance(leaf, FlagSet) else []


@dataclass(frozen=True, slots=True)
class Answered:
    """A question with the bytes that were typed, in guest order, and in which moment that was.

    ``confirmed`` is whether they were doubted, and stand there all the same.
    """

    question: Question
    data: bytes
    moment: int
    words: str
    confirmed: bool = False


def words_of(leaf: Leaf) -> str:
    """A leaf's type in words: ``a pointer to Actor``, ``f32``."""
    if isinstance(leaf, PointerTo):
        return f"a pointer to {leaf.target}"
    kind: Literal["a word", "text", ""] = ""
    if isinstance(leaf, BitField):
        kind = "a word"
    elif isinstance(leaf, Chars):
        kind = "text"
    return f"{kind}, {name_of(leaf)}" if kind else name_of(leaf)


def canonical(memory: MemoryMap, address: int) -> int:
    """An address, where it is a mirror's, as that of the region itself."""
    flat = memory.flat(address)
    return address if flat is None else memory.address(flat)
