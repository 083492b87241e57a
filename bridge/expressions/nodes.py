"""The typed form of an expression: what the checker makes and the code generator reads.

There are four sorts.  A *number* has a value type.  A *place* is a typed guest address that has
not been read yet, as an lvalue in C.  A *block* is one of the heap's.  A *listing* is a list of any
of these.  Every node keeps its text, for reasons and explanations.

This is a table of the kinds of nodes and stays one file, however long: who adds a kind, or reads a
program, wants to see what others there are.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, Final

from bridge.heap.blocks import Block
from bridge.values.value_type import ValueType
from schemas.layout import Leaf, Node

__all__ = [
    "ANY_WIDTH",
    "BLOCK",
    "BLOCK_FIELDS",
    "AddressOf",
    "AllBlocks",
    "Apply",
    "Arithmetic",
    "AtAddress",
    "BlockField",
    "BlockOf",
    "BlockSort",
    "Chain",
    "Choice",
    "Comparison",
    "Comprehension",
    "Element",
    "Expr",
    "Extreme",
    "FirstBlock",
    "FirstNumber",
    "FirstPlace",
    "Fixed",
    "FlagRead",
    "Fold",
    "Followed",
    "Indexed",
    "Length",
    "Listed",
    "Listing",
    "Literal",
    "Logic",
    "LoopBlock",
    "LoopNumber",
    "LoopPlace",
    "NamedBlock",
    "Number",
    "OfBlocks",
    "Offset",
    "Picked",
    "PickedBlock",
    "PickedNumber",
    "Place",
    "Position",
    "Read",
    "SlotListing",
    "SlotValue",
    "Stored",
    "Unary",
]


@dataclass(frozen=True, slots=True)
class Expr:
    """Any expression; ``text`` is how a person wrote it."""

    text: str


@dataclass(frozen=True, slots=True)
class Number(Expr):
    """A number, a truth value or a text, with its value type."""

    type: ValueType


@dataclass(frozen=True, slots=True)
class Place(Expr):
    """A guest address at which something of the type ``node`` is stored."""

    node: Node


@dataclass(frozen=True, slots=True)
class BlockSort:
    """What a list of the heap's blocks is a list of."""


BLOCK: Final = BlockSort()
Element = ValueType | Node | BlockSort


@dataclass(frozen=True, slots=True)
class NamedBlock(Expr):
    """A block of the heap."""


@dataclass(frozen=True, slots=True)
class Listing(Expr):
    """A list of numbers, places or blocks; ``element`` is what each is."""

    element: Element


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


@dataclass(frozen=True, slots=True)
class Picked(Place):
    """The place at a position of a list, from 0."""

    listing: Listing
    index: Number


# blocks


@dataclass(frozen=True, slots=True)
class BlockOf(NamedBlock):
    """The block that holds an address; ``holder`` says in reasons what the address comes from.

    It is one of the heap of a name, or where that is None the innermost of all heaps'.
    """

    address: Number
    holder: str
    heap: str | None = None


@dataclass(frozen=True, slots=True)
class LoopBlock(NamedBlock):
    """The variable of a comprehension over blocks."""

    variable: str


@dataclass(frozen=True, slots=True)
class FirstBlock(NamedBlock):
    """The first block of a list."""

    listing: Listing


@dataclass(frozen=True, slots=True)
class PickedBlock(NamedBlock):
    """The block at a position of a list, from 0."""

    listing: Listing
    index: Number


# numbers


@dataclass(frozen=True, slots=True)
class Literal(Number):
    """A value that is written out."""

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
    """The guest address of a place."""

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
    """Two numbers with +, -, *, /, //, %, **, &, |, ^, << or >> between them."""

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
    """``chosen`` where the condition is true, else ``otherwise``; only that one is evaluated."""

    condition: Number
    chosen: Number
    otherwise: Number


ANY_WIDTH: Final = 1 << 30
"""The bits of a whole number of which no limit is known, so that it is looked at when made."""


@dataclass(frozen=True, slots=True)
class Apply(Number):
    """What ``call`` makes of numbers.

    It is total: whatever fails is an ``ArithmeticError``.  ``statements`` is what a call costs, in
    statements of generated code.  ``bits`` is the most that a whole result has, None for no more
    than its widest argument.
    """

    call: Callable[..., Any]
    arguments: tuple[Number, ...]
    statements: int = 12
    bits: int | None = ANY_WIDTH


@dataclass(frozen=True, slots=True)
class SlotValue(Number):
    """The value of another watch, or of a function over frames."""

    slot: int


@dataclass(frozen=True, slots=True)
class OfBlocks(Number):
    """What ``call`` makes of the heap's blocks, of which it looks at the first ``most``.

    It takes them in the order of the heap's list, and whether they are all: of a damaged heap only
    those before the damage are known.  It gives None where the others would tell.
    """

    call: Callable[[Sequence[Block], bool], int | None]
    most: int
    heap: str = ""


@dataclass(frozen=True, slots=True)
class Length(Number):
    """How many elements a list has."""

    listing: Listing


@dataclass(frozen=True, slots=True)
class Fold(Number):
    """``sum``, ``min`` or ``max`` of a list of numbers."""

    function: str
    listing: Listing


@dataclass(frozen=True, slots=True)
class FirstNumber(Number):
    """The first number of a list."""

    listing: Listing


BLOCK_FIELDS: Final = ("start", "size", "used", "index", "owner", "heap", "offset")


@dataclass(frozen=True, slots=True)
class BlockField(Number):
    """A ``field`` of a block, one of BLOCK_FIELDS; only a ``BlockOf`` has an offset."""

    block: NamedBlock
    field: str


@dataclass(frozen=True, slots=True)
class PickedNumber(Number):
    """The number at a position of a list, from 0."""

    listing: Listing
    index: Number


@dataclass(frozen=True, slots=True)
class Listed(Number):
    """A list as it was walked, for explanations (``bridge.evaluation.list_working.Walked``)."""

    listing: Listing


@dataclass(frozen=True, slots=True)
class Position(Number):
    """Which element of its source an element of the list in a slot was made of."""

    slot: int
    index: Number


@dataclass(frozen=True, slots=True)
class Extreme(Number):
    """The position of the first least or greatest number of the list in a slot.

    ``function`` is min or max.
    """

    function: str
    slot: int


# listings


@dataclass(frozen=True, slots=True)
class SlotListing(Listing):
    """The list that a slot has."""

    slot: int


@dataclass(frozen=True, slots=True)
class Chain(Listing):
    """The structs of a linked list from ``head``, a pointer to the first or the first itself."""

    head: Place
    next_offset: int
    head_is_pointer: bool


@dataclass(frozen=True, slots=True)
class Comprehension(Listing):
    """A list made of another: ``result`` of each element for which all conditions hold."""

    variable: str
    source: Listing
    conditions: tuple[Number, ...]
    result: Number | Place | NamedBlock


@dataclass(frozen=True, slots=True)
class AllBlocks(Listing):
    """The blocks of the heap of a name, in the order of its list."""

    heap: str = ""
