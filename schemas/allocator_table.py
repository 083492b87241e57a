"""The schema's ``[allocator]``: how the blocks of a heap are handed out and taken back."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field

from schemas.sizes import ByteCount
from schemas.table import Table

__all__ = ["AllocatorArena", "AllocatorBuild", "AllocatorTable", "Expression"]


def _expression(value: Any) -> Any:
    """A whole number is an expression, too."""
    return f"{value:#x}" if type(value) is int else value


Expression = Annotated[
    str,
    BeforeValidator(_expression, json_schema_input_type=str | int),
    Field(min_length=1),
]


class AllocatorArena(Table):
    """Where the blocks lie."""

    from_: Expression = Field(alias="from", description="guest address of the first header")
    to: Expression = Field(description="guest address behind the last block")


class AllocatorBuild(Table):
    """What differs in one build; what is not given is as it is in all of them."""

    fit: Literal["first", "best", "worst", "next"] = Field(
        "first",
        description="which of the holes that are large enough is taken: the first, the smallest, "
        "the largest, or the first from where the last block was handed out",
    )
    order: Literal["address", "recent"] = Field(
        "address", description="the order of the holes: by address, or the newest first"
    )
    tried_from: Literal["low", "high"] = Field(
        "low", description="the end from which holes are tried; high turns the order round"
    )
    carved_from: Literal["low", "high"] = Field(
        "low", description="the end of the hole at which the block lies"
    )
    header: ByteCount | None = Field(
        None, description="bytes before a payload; else the size of the header's struct"
    )
    alignment: Annotated[int, Field(ge=1, le=1 << 16)] | None = Field(
        None, description="what a block with its header is a multiple of; else that of the heap"
    )
    least_rest: ByteCount | None = Field(
        None,
        description="bytes, with the header, from which on the rest of a hole becomes a hole of "
        "its own; else the header and once the alignment",
    )
    merge: Literal["both", "next", "previous", "when full", "never"] = Field(
        "both", description="which holes a released block is joined with, and when"
    )
    keeps_last: bool = Field(
        False, description="true where the hole at the end that is tried last is taken last"
    )
    when_full: Literal["impossible", "carry on"] = Field(
        "impossible",
        description="what an action is that asks for more than there is: impossible, or it goes "
        "on without",
    )
    rover: Expression | None = Field(
        None, description="for fit next: the address of the block or hole where it goes on"
    )
    held: Expression | None = Field(
        None, description="a pointer to what an action holds, null where it is nothing"
    )
    arena: AllocatorArena | None = Field(
        None, description="where blocks can lie; else from the first header to the last block's end"
    )
    sizes: dict[str, ByteCount] = Field(
        {}, description="kind = bytes that are asked for; else what the owner's table says"
    )


class AllocatorTable(AllocatorBuild):
    """How the blocks of the heap are handed out, for planning.

    Addresses are whole numbers, or expressions by the symbols.
    """

    builds: dict[str, AllocatorBuild] = Field({}, description="build = what differs in that build")
