"""The schema's ``[heap]``: how the guest's allocator keeps its blocks."""

from __future__ import annotations

from typing import Literal

from pydantic import Field, model_validator

from schemas.sizes import ByteCount
from schemas.table import Table

__all__ = ["HeapOwnerTable", "HeapTable"]


class HeapOwnerTable(Table):
    """How to tell what a block holds: struct and field, or sizes."""

    struct: str | None = Field(None, description="struct at the start of every used payload")
    field: str | None = Field(None, description="field of that struct: an enum that names the kind")
    structs: dict[str, str] = Field(
        {}, description="member of that enum = the struct that such a payload really is"
    )
    sizes: dict[str, ByteCount] | None = Field(
        None, description="name = bytes of its payload, where nothing else tells the kind"
    )

    @model_validator(mode="after")
    def _one(self) -> HeapOwnerTable:
        if (self.struct is None) is not (self.field is None):
            raise ValueError("struct and field go together")
        if (self.struct is None) is (self.sizes is None):
            raise ValueError("expected either struct and field, or sizes")
        if self.structs and self.struct is None:
            raise ValueError("structs goes with struct and field")
        return self


class HeapTable(Table):
    """A list of blocks.

    In all expressions but ``first`` and ``newest_first``, ``block`` is the header of the block at
    hand; in ``identity`` and ``age``, ``owner`` is the struct of ``[heap.owner]`` at its payload.
    """

    block: str = Field(description="struct of a block's header")
    first: str = Field(description="the first block, or a pointer to it, by the schema's symbols")
    next: str = Field(description="the block that follows, or a pointer to it; null at the end")
    size: str = Field(description="bytes of the payload")
    used: str = Field(description="true where the block is handed out")
    payload: str = Field(description="guest address of the payload")
    alignment: int = Field(
        1, ge=1, le=1 << 16, description="what payloads and sizes are multiples of"
    )
    magic: str | None = Field(None, description="true for every sound block")
    generation: str | None = Field(
        None, description="a whole number that changes each time the block is handed out"
    )
    identity: str | None = Field(
        None, description="a whole number that each object has for itself, as a serial number"
    )
    age: str | None = Field(
        None, description="a whole number that is greater the longer ago a block was handed out"
    )
    newest_first: str | list[str] = Field(
        [], description="the game's own list of what is in the heap, newest first, or several"
    )
    order: Literal["list", "address"] = Field(
        "list", description="whether blocks are told in the list's order or by address"
    )
    owner: HeapOwnerTable | None = Field(None, description="how to tell what a block holds")

    @model_validator(mode="after")
    def _one_age(self) -> HeapTable:
        if self.age is not None and self.newest_first:
            raise ValueError("expected either age or newest_first")
        return self
