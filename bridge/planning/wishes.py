"""What is wished for, as people put it, and where the expressions in it lead.

An address is written out, or an expression leads to it.  ``leading`` checks the expression on one
build and says which number of its memory is needed and how many bytes behind that it lies, so that
the same wish can be told for a build of which there is no memory: there the number is carried over,
and what is added is that build's own.  ``asking_build`` has frames with these numbers.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from enum import StrEnum

from bridge.expressions import nodes
from bridge.expressions.compiling import check
from bridge.planning.model import GameModel
from bridge.prepared import PreparedBuild, with_heap
from bridge.readings.reading import Watch
from bridge.values.value_type import Kind
from schemas.compiler import BuildLayout
from schemas.errors import ExpressionError, LowhalfError
from schemas.resolve import resolve
from schemas.toml_file import nearest

__all__ = [
    "Leading",
    "Sort",
    "Wish",
    "asking_build",
    "check_kind",
    "field_offset",
    "leading",
]

_ADDRESS = re.compile(r"0[xX][0-9A-Fa-f]{1,16}|[1-9][0-9]{0,19}")


class Sort(StrEnum):
    """What is wished for at an address."""

    START = "start"
    """A block of the kind starts there."""
    FIELD = "field"
    """A field of a block of the kind lies there."""
    COVER = "cover"
    """The payload of a block of the kind, or of any, holds it."""
    FREE = "free"
    """A hole covers it."""
    AVOID = "avoid"
    """No used block covers it."""


@dataclass(frozen=True, slots=True)
class Wish:
    """One wish.

    ``where`` is an address or an expression, ``given`` how it was asked for.  ``kind`` is empty for
    any, ``field`` the path of the field that is meant.
    """

    sort: Sort
    where: str
    given: str
    kind: str = ""
    field: str = ""


@dataclass(frozen=True, slots=True)
class Leading:
    """Where an expression leads on one build: ``offset`` bytes behind what ``number`` gives.

    ``number`` is an expression too, empty where no memory is needed to tell the address: then it is
    ``fixed``.  ``written`` is whether that was written out as a number, so that it is an address of
    one build alone.
    """

    number: str
    offset: int = 0
    fixed: int | None = None
    written: bool = False


def leading(prepared: PreparedBuild, watches: Mapping[str, str], wish: Wish) -> Leading:
    """Where a wish's expression leads; *watches* are the bridge's: name → expression.

    A pointer leads where it points, a whole number is an address, anything else leads to its own
    place.  A field is wished for at the place itself, whatever is stored there.  Raises
    ExpressionError, and LowhalfError where each build's address is given but this one's.
    """
    by_build = _by_build(wish.where)
    if by_build:
        build = prepared.layout.name
        if build not in by_build:
            raise LowhalfError(f"{wish.given}: it has no address of {build}")
        return Leading("", fixed=by_build[build])
    text = watches.get(wish.where, wish.where)
    place = _place(prepared, watches, text)
    number = None
    if place is None or wish.sort is not Sort.FIELD:
        number = _value(prepared, watches, text, only=place is None)
    if number is None:
        assert place is not None
        return _leading(place)
    if isinstance(number, nodes.Literal) and isinstance(number.value, int):
        return Leading("", fixed=number.value, written=True)
    if isinstance(number, nodes.AddressOf):
        return _leading(number.place)
    return Leading(text)


def _by_build(text: str) -> dict[str, int]:
    """Each build's address as in ``first-print=0x80200010,export=0x80240010``; else nothing."""
    parts = [part.strip().partition("=") for part in text.split(",")]
    if not all(_ADDRESS.fullmatch(number) for _, _, number in parts):
        return {}
    return {build: int(number, 0) for build, _, number in parts}


def _place(prepared: PreparedBuild, watches: Mapping[str, str], text: str) -> nodes.Place | None:
    try:
        program = check(
            prepared.layout, {**watches, "": f"address({text})"}, "", prepared.functions
        )
    except ExpressionError:
        return None
    number = program.slots[program.watches[""]].number
    assert isinstance(number, nodes.AddressOf)
    return number.place


def _value(
    prepared: PreparedBuild, watches: Mapping[str, str], text: str, *, only: bool
) -> nodes.Number | None:
    """The number that is an address; None where the place is meant, unless it is the number only.

    Raises ExpressionError where there is no place either.
    """
    try:
        program = check(prepared.layout, {**watches, "": text}, [""], prepared.functions)
    except ExpressionError:
        if only:
            raise
        return None
    number = program.slots[program.watches[""]].number
    assert number is not None
    plain = number.type.kind is Kind.INTEGER and not (number.type.members or number.type.flags)
    if only and not plain:
        raise ExpressionError(
            f"is a {number.type.name}, expected an address: a pointer, a place or a whole number",
            expression=text,
        )
    return number if plain else None


def _leading(place: nodes.Place) -> Leading:
    offset, base = 0, place
    while isinstance(base, nodes.Offset):
        offset, base = offset + base.offset, base.base
    if isinstance(base, nodes.Fixed):
        return Leading("", fixed=base.address + offset)
    if isinstance(base, nodes.Followed):
        return Leading(base.pointer.text, offset)
    if isinstance(base, nodes.AtAddress):
        if isinstance(base.address, nodes.Literal) and isinstance(base.address.value, int):
            return Leading("", fixed=base.address.value + offset, written=True)
        return Leading(base.address.text, offset)
    return Leading(f"address({base.text})", offset)


def asking_build(
    prepared: PreparedBuild, watches: Mapping[str, str], expressions: Mapping[str, str]
) -> PreparedBuild:
    """The build with frames that have the heap and the readings of *expressions*, no others.

    *watches* are what these may use: name → expression.  Raises ExpressionError.
    """
    every = {**watches, **expressions}
    # a stale pointer is what is asked about: no warning may stand in the way
    program = check(prepared.layout, every, tuple(every), prepared.functions)
    shown = tuple(
        Watch(name, "", text, program.slots[program.watches[name]].type)
        for name, text in expressions.items()
    )
    return with_heap(replace(prepared, program=program, watches=shown))


def check_kind(kind: str, games: Mapping[str, GameModel]) -> None:
    """Raises LowhalfError for a kind that is not known, or has no size on some build."""
    known = {name for game in games.values() for name in game.sizes}
    if kind not in known:
        raise LowhalfError(f"the schema has no size of a kind {kind}{nearest(kind, known)}")
    for build, game in games.items():
        if kind not in game.sizes:
            raise LowhalfError(
                f"{kind} has no size on {build}: give it under sizes in [allocator.builds.{build}]"
            )


def field_offset(layout: BuildLayout, heap: str, kind: str, field: str) -> int:
    """Bytes from the payload's start to a field of a kind in a heap.  Raises LowhalfError."""
    types = layout.heap_named(heap)
    owner = None if types is None else types.owner
    struct = None if owner is None else owner.structs.get(kind, owner.struct)
    if struct is None:
        raise LowhalfError(
            f"{kind}.{field}: the schema has no struct of {kind} in [heap.owner], so no fields"
        )
    try:
        return resolve(struct, field)[0]
    except ValueError as fault:
        raise LowhalfError(f"{kind}.{field}: {fault}") from None
