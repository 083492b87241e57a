"""The layout file: the shape of a heap, kept to compare others with (``NAME.layout.toml``)."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from itertools import zip_longest
from pathlib import Path
from typing import Annotated, Any

from pydantic import AfterValidator, BeforeValidator, Field, model_validator

from schemas.errors import LayoutFileError
from schemas.seen_letters import toml_string
from schemas.sizes import byte_count
from schemas.table import Table
from schemas.toml_file import TomlText

__all__ = [
    "FREE",
    "MAX_BLOCKS",
    "MAX_OWNER",
    "BlockTable",
    "LayoutFile",
    "SavedLayout",
    "Wildcard",
    "block_lines",
    "layout_text",
    "load_layout",
]

FREE = "free"
MAX_BLOCKS = 16_384
MAX_OWNER = 64
_HEAD = """\
# The shape of a heap, block by block in the order of the allocator's list; sizes are in bytes of
# payload, at is how far behind the first block's payload each begins.  Edit as you like: without
# at, it does not matter where a block lies; without used, all are in use but those named free.
"""


class Wildcard(StrEnum):
    """What stands in place of an owner where it does not matter which block is there."""

    ANY = "any"
    """One block, whatever lives there."""
    RUN = "any*"
    """Any number of blocks, none too: as few as will do."""
    REST = "the rest"
    """All further blocks, none too; so it is last."""

    @property
    def one(self) -> bool:
        """Whether it takes one block, no more and no less."""
        return self is Wildcard.ANY


_WILDCARDS = {str(each): each for each in Wildcard}
_ANY = str(Wildcard.ANY)


def _size(value: Any) -> Any:
    return None if value == _ANY else byte_count(value)


def _place(value: Any) -> Any:
    if isinstance(value, str) and value.startswith("-"):
        return -byte_count(value[1:])
    return byte_count(value)


class BlockTable(Table):
    """One block of the heap."""

    owner: str = Field(
        min_length=1,
        max_length=MAX_OWNER,
        description='what lives there, such as "gull"; "free"; "any" for one block whatever lives '
        'there, "any*" for as many as there are before the next, none too, and "the rest", which '
        "is last",
    )
    size: Annotated[
        Annotated[int, Field(ge=0, lt=1 << 64)] | None,
        BeforeValidator(_size, json_schema_input_type=int | str),
    ] = Field(description='bytes of payload; "any" where it does not matter')
    used: bool | None = Field(
        description='whether it is handed out; else all but free ones are, and with "any" it does '
        "not matter"
    )
    at: (
        Annotated[
            int,
            BeforeValidator(_place, json_schema_input_type=int | str),
            Field(gt=-1 << 64, lt=1 << 64),
        ]
        | None
    ) = Field(None, description="bytes from the first block's payload; left out, any place will do")
    literal: bool = Field(
        False, description='whether "any", "any*" and "the rest" are owners that are called so'
    )

    @property
    def wildcard(self) -> Wildcard | None:
        """What stands in place of an owner, None where it is one."""
        return None if self.literal else _WILDCARDS.get(self.owner)

    @model_validator(mode="before")
    @classmethod
    def _completed(cls, data: Any) -> Any:
        if not isinstance(data, dict):
            return data
        owner, literal = data.get("owner"), data.get("literal") is True
        wildcard = None if literal or not isinstance(owner, str) else _WILDCARDS.get(owner)
        if wildcard is not None and not wildcard.one:
            if given := [key for key in ("size", "used", "at") if key in data]:
                raise ValueError(f'"{owner}" is any number of blocks: leave {given[0]} out')
            data = {**data, "size": _ANY}
        if "used" not in data:
            data = {**data, "used": owner != FREE if wildcard is None else None}
        return data


def _counted(blocks: tuple[BlockTable, ...]) -> tuple[BlockTable, ...]:
    # not as a length, which would count sound blocks alone and so tell of a second fault
    if not 0 < len(blocks) <= MAX_BLOCKS:
        raise ValueError(f"expected 1 to {MAX_BLOCKS} blocks, found {len(blocks)}")
    for number, block in enumerate(blocks[:-1]):
        if block.wildcard is Wildcard.REST:
            raise ValueError(
                f'block {number} is "{Wildcard.REST}", which is last; "{Wildcard.RUN}" has others '
                "behind it"
            )
    return blocks


class LayoutFile(Table):
    """The shape of a heap at a good moment, and where it came from."""

    game: str = Field(min_length=1, description="the game's name, as in its schema")
    heap: str = Field("", description="the name of the heap, where it has one")
    build: str = Field(min_length=1, description="the build that it was saved on")
    title: str = Field("", description="its name for people")
    saved_from: str = Field("", description="source and frame that it was saved from")
    blocks: Annotated[tuple[BlockTable, ...], AfterValidator(_counted)] = Field(
        strict=False, description="every block, in order"
    )


@dataclass(frozen=True, slots=True)
class SavedLayout:
    """A layout that a bridge file names, and how the present heap is compared with it."""

    file: LayoutFile
    ignore_sizes: bool = False


def load_layout(path: Path) -> LayoutFile:
    """Read and check a layout file.  Raises LayoutFileError with file, key and line."""
    return TomlText.read(path, LayoutFileError).model(LayoutFile)


def layout_text(layout: LayoutFile) -> str:
    """The file's text, a line a block; reading it gives the same layout again."""
    lines = [f"game = {toml_string(layout.game)}", f"build = {toml_string(layout.build)}"]
    if layout.heap:
        lines.append(f"heap = {toml_string(layout.heap)}")
    if layout.title:
        lines.append(f"title = {toml_string(layout.title)}")
    if layout.saved_from:
        lines.append(f"saved_from = {toml_string(layout.saved_from)}")
    return _HEAD + "\n".join([*lines, "blocks = [", *block_lines(layout.blocks), "]", ""])


def block_lines(blocks: Sequence[BlockTable]) -> list[str]:
    """A line of TOML a block, as between the brackets of an array."""
    return _aligned([_row(block) for block in blocks])


def _row(block: BlockTable) -> tuple[str, ...]:
    keys = [f"owner = {toml_string(block.owner)}"]
    if block.literal:
        keys.append("literal = true")
    if block.wildcard is None or block.wildcard.one:
        keys.append('size = "any"' if block.size is None else f"size = 0x{block.size:X}")
        keys.append("" if block.used is None else f"used = {'true' if block.used else 'false'}")
        keys.append("" if block.at is None else f"at = {_at(block.at)}")
    last = max(number for number, key in enumerate(keys) if key)
    return tuple(key + "," * (bool(key) and number < last) for number, key in enumerate(keys))


def _at(place: int) -> str:
    # TOML has no negative hexadecimal numbers
    return f"0x{place:X}" if place >= 0 else f'"-0x{-place:X}"'


def _aligned(rows: Sequence[Sequence[str]]) -> list[str]:
    widths = [max(map(len, column)) for column in zip_longest(*rows, fillvalue="")]
    return [
        "    { "
        + " ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=False)).rstrip()
        + " },"
        for row in rows
    ]
