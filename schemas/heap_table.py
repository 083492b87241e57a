"""The schema's ``[heap]`` and ``[heaps.NAME]``: how the guest's allocators keep their blocks."""

from __future__ import annotations

from typing import Any, Literal

from pydantic import Field, ValidationInfo, field_validator, model_validator
from pydantic_core import PydanticCustomError

from schemas.allocator_table import AllocatorTable, Expression
from schemas.sizes import ByteCount
from schemas.table import Table

__all__ = [
    "ExtentTable",
    "HandlesTable",
    "HeapOwnerTable",
    "HeapTable",
    "NamedHeapTable",
    "SlotsTable",
]


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


class SlotsTable(Table):
    """A pool of slots that are all of one size, one behind the other."""

    count: Expression = Field(description="how many there are")
    size: Expression = Field(description="bytes from one to the next")


class HandlesTable(Table):
    """A table of pointers to blocks."""

    table: str = Field(min_length=1, description="its first pointer, by the schema's symbols")
    count: Expression | None = Field(
        None, description="how many pointers it has, where the table's type does not tell"
    )


class ExtentTable(Table):
    """Where the blocks of a heap can lie."""

    from_: Expression = Field(alias="from", description="guest address of the first byte")
    to: Expression = Field(description="guest address behind the last one")


_NEEDED = {
    "list": ("block", "first", "next", "size", "used", "payload"),
    "free": ("block", "first", "next", "size", "payload"),
    "slots": ("first", "used"),
    "handles": ("size",),
}
"""What each form of a heap cannot do without."""
_NOT_OF = {
    "list": ("header",),
    "free": ("header", "used"),
    "slots": ("header", "next"),
    "handles": ("first", "next"),
}
"""What means nothing in it."""


class HeapTable(Table):
    """How the game's allocator keeps its blocks.

    They are a list of headers; or with ``list`` free a list of the free ones; or with ``slots`` a
    pool; or what the pointers of a table lead to, its ``handles``.  In all expressions but
    ``first``, ``newest_first`` and those of tables, ``block`` is the header of the block at hand
    and ``index`` its number, from 0 on; ``handle`` is the pointer that leads to it.  In
    ``identity`` and ``age``, ``owner`` is the struct of ``[heap.owner]`` at its payload.
    """

    slots: SlotsTable | None = Field(None, description="a pool of slots of one size, from first on")
    handles: str | HandlesTable | None = Field(
        None, description="an array of pointers to blocks that can move; null is no block"
    )
    list_: Literal["all", "free"] = Field(
        "all",
        alias="list",
        description="whether all blocks are in the list or the free ones alone",
    )
    extent: ExtentTable | None = Field(
        None, description="where blocks can lie: what none covers is free"
    )
    rest: Literal["run", "blocks"] = Field(
        "run",
        description="with a list of the free blocks: whether what is used between two is one run "
        "that nothing tells apart, or blocks with headers, each behind the one before",
    )
    block: str | None = Field(
        None,
        description="struct of a block's header; slots and handles need none",
        validate_default=True,
    )
    first: str | list[str] | None = Field(
        None,
        description="the first block, or a pointer to it, by the schema's symbols; several where "
        "there is more than one list",
        validate_default=True,
    )
    next: str | None = Field(
        None,
        description="the block that follows, or a pointer to it; null at the end",
        validate_default=True,
    )
    size: str | None = Field(
        None,
        description="bytes of the payload; else the rest of the slot",
        validate_default=True,
    )
    used: str | None = Field(
        None,
        description="true where the block is handed out; what a handle leads to is, else",
        validate_default=True,
    )
    header: str | None = Field(
        None,
        description="the block, or its address, that a handle leads to; else the handle itself",
        validate_default=True,
    )
    payload: str | None = Field(
        None,
        description="guest address of the payload; else what is behind a slot's header, or the "
        "handle itself",
        validate_default=True,
    )
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
        [],
        description="the game's own list of what is in the heap, newest first, or several; also "
        "that of the free blocks",
    )
    order: Literal["list", "address"] = Field(
        "list", description="whether blocks are told in the list's order or by address"
    )
    owner: HeapOwnerTable | None = Field(None, description="how to tell what a block holds")

    @property
    def form(self) -> str:
        """``list``, ``free``, ``slots`` or ``handles``."""
        return _form(self.slots, self.handles, self.list_)

    @field_validator("block", "first", "next", "size", "used", "header", "payload")
    @classmethod
    def _is_there(cls, value: Any, about: ValidationInfo) -> Any:
        known, name = about.data, about.field_name
        form = _form(known.get("slots"), known.get("handles"), known.get("list_"))
        if value is None and name in _NEEDED[form]:
            raise PydanticCustomError("missing", "is missing")
        if value is not None and name in _NOT_OF[form]:
            raise ValueError(f"does not go with {_WORDS[form]}")
        return value

    @model_validator(mode="after")
    def _consistent(self) -> HeapTable:
        if self.age is not None and self.newest_first:
            raise ValueError("expected either age or newest_first")
        if self.slots is not None and self.handles is not None:
            raise ValueError("expected either slots or handles")
        if self.list_ == "free" and (self.slots is not None or self.handles is not None):
            raise ValueError("list goes with neither slots nor handles")
        if self.list_ == "free" and self.extent is None:
            raise ValueError("a list of the free blocks needs an extent, whose rest is used")
        if self.rest == "blocks" and self.list_ != "free":
            raise ValueError('rest goes with list = "free"')
        return self


_WORDS = {
    "list": "a list of all blocks",
    "free": "a list of the free blocks",
    "slots": "slots",
    "handles": "handles",
}


def _form(slots: object, handles: object, list_: object) -> str:
    if slots is not None:
        return "slots"
    if handles is not None:
        return "handles"
    return "free" if list_ == "free" else "list"


class NamedHeapTable(HeapTable):
    """A further heap, as ``[heaps.NAME]`` describes it."""

    allocator: AllocatorTable | None = Field(
        None, description="how its blocks are handed out, for planning"
    )
