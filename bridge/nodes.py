"""The typed form of an expression: what the checker makes and the code generator reads.

There are three sorts.  A *number* has a value type.  A *place* is a typed guest address that has
not been read yet, as an lvalue in C.  A *listing* is a list of either.  Every node keeps its text,
for reasons and explanations.
"""

from __future__ import annotations

from dataclasses import dataclass

from bridge.values import ValueType
from schemas.layout import Leaf, Node


@dataclass(frozen=True, slots=True)
class Expr:
    text: str


@dataclass(frozen=True, slots=True)
class Number(Expr):
    type: ValueType


@dataclass(frozen=True, slots=True)
class Place(Expr):
    node: Node


@dataclass(frozen=True, slots=True)
class Listing(Expr):
    element: ValueType | Node


# places


@dataclass(frozen=True, slots=True)
class Fixed(Place):
    """A symbol: its address does not change."""

    address: int


@dataclass(frozen=True, slots=True)
class Offset(Place):
    """A field or an element with a known index: ``offset`` bytes into ``base``."""

    base: Place
    offset: int


@dataclass(frozen=True, slots=True)
class Followed(Place):
    """What the pointer stored at ``pointer`` leads to."""

    pointer: Place


@dataclass(frozen=True, slots=True)
class Indexed(Place):
    """Element ``index`` of an array (with ``count``), or of what a followed pointer begins."""

    base: Place
    index: Number
    stride: int
    count: int | None


@dataclass(frozen=True, slots=True)
class AtAddress(Place):
    """A place at a computed address."""

    address: Number


@dataclass(frozen=True, slots=True)
class LoopPlace(Place):
    """The variable of a comprehension over places."""

    variable: str


@dataclass(frozen=True, slots=True)
class FirstPlace(Place):
    """The first place of a list."""

    listing: Listing


# numbers


@dataclass(frozen=True, slots=True)
class Literal(Number):
    value: int | float | bool | str


@dataclass(frozen=True, slots=True)
class Read(Number):
    """The value stored at a place."""

    place: Place
    leaf: Leaf


@dataclass(frozen=True, slots=True)
class Stored(Number):
    """``size`` bytes at ``offset`` into a place's value, as an unsigned integer in guest order."""

    place: Place
    leaf: Leaf
    offset: int
    size: int


@dataclass(frozen=True, slots=True)
class FlagRead(Number):
    """Whether a bit of a stored set of flags is set."""

    place: Place
    leaf: Leaf
    bit: int


@dataclass(frozen=True, slots=True)
class AddressOf(Number):
    place: Place


@dataclass(frozen=True, slots=True)
class LoopNumber(Number):
    """The variable of a comprehension over numbers."""

    variable: str


@dataclass(frozen=True, slots=True)
class Unary(Number):
    """``op`` is -, + , ~ or not."""

    op: str
    operand: Number


@dataclass(frozen=True, slots=True)
class Arithmetic(Number):
    op: str
    left: Number
    right: Number


@dataclass(frozen=True, slots=True)
class Comparison(Number):
    """A chain of comparisons, each operand evaluated once and only as far as needed."""

    operands: tuple[Number, ...]
    ops: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Logic(Number):
    """``and`` or ``or`` of truth values, evaluated only as far as needed."""

    op: str
    operands: tuple[Number, ...]


@dataclass(frozen=True, slots=True)
class Choice(Number):
    condition: Number
    chosen: Number
    otherwise: Number


@dataclass(frozen=True, slots=True)
class Apply(Number):
    """A mathematical function of numbers, by its name in ``bridge.mathematics``."""

    function: str
    arguments: tuple[Number, ...]


@dataclass(frozen=True, slots=True)
class SlotValue(Number):
    """The value of another watch, or of a function over frames."""

    slot: int


@dataclass(frozen=True, slots=True)
class Length(Number):
    listing: Listing


@dataclass(frozen=True, slots=True)
class Fold(Number):
    """``sum``, ``min`` or ``max`` of a list of numbers."""

    function: str
    listing: Listing


@dataclass(frozen=True, slots=True)
class FirstNumber(Number):
    listing: Listing


# listings


@dataclass(frozen=True, slots=True)
class Chain(Listing):
    """The structs of a linked list from ``head``, a pointer to the first or the first itself."""

    head: Place
    next_offset: int
    head_is_pointer: bool


@dataclass(frozen=True, slots=True)
class Comprehension(Listing):
    variable: str
    source: Listing
    conditions: tuple[Number, ...]
    result: Number | Place
