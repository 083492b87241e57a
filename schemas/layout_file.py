"""The layout file: the shape of a heap, kept to compare others with (``NAME.layout.toml``)."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any

from pydantic import AfterValidator, BeforeValidator, Field, model_validator

from schemas.errors import LayoutFileError
from schemas.seen_letters import toml_string
from schemas.sizes import ByteCount, byte_count
from schemas.table import Table
from schemas.toml_file import TomlText

__all__ = [
    "FREE",
    "MAX_BLOCKS",
    "MAX_OWNER",
    "BlockTable",
    "LayoutFile",
    "SavedLayout",
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


def _place(value: Any) -> Any:
    if isinstance(value, str) and value.startswith("-"):
        return -byte_count(value[1:])
    return byte_count(value)


class BlockTable(Table):
    """One block of the heap."""

    owner: str = Field(
        min_length=1, max_length=MAX_OWNER, description='what lives there, such as "gull"; "free"'
    )
    size: ByteCount = Field(lt=1 << 64, description="bytes of payload")
    used: bool = Field(description="whether it is handed out; else all but free ones are")
    at: (
        Annotated[
            int,
            BeforeValidator(_place, json_schema_input_type=int | str),
            Field(gt=-1 << 64, lt=1 << 64),
        ]
        | None
    ) = Field(None, description="bytes from the first block's payload; left out, any place will do")

    @model_validator(mode="before")
    @classmethod
    def _used_by_owner(cls, data: Any) -> Any:
        if isinstance(data, dict) and "used" not in data:
            return {**data, "used": data.get("owner") != FREE}
        return data


def _counted(blocks: tuple[BlockTable, ...]) -> tuple[BlockTable, ...]:
    # not as a length, which would count sound blocks alone and so tell of a second fault
    if not 0 < len(blocks) <= MAX_BLOCKS:
        raise ValueError(f"expected 1 to {MAX_BLOCKS} blocks, found {len(blocks)}")
    return blocks


class LayoutFile(Table):
    """The shape of a heap at a good moment, and where it came from."""

    game: str = Field(min_length=1, description="the game's name, as in its schema")
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
    if layout.title:
        lines.append(f"title = {toml_string(layout.title)}")
    if layout.saved_from:
        lines.append(f"saved_from = {toml_string(layout.saved_from)}")
    return _HEAD + "\n".join([*lines, "blocks = [", *block_lines(layout.blocks), "]", ""])


def block_lines(blocks: Sequence[BlockTable]) -> list[str]:
    """A line of TOML a block, as between the brackets of an array."""
    rows = [
        (
            f"owner = {toml_string(block.owner)},",
            f"size = 0x{block.size:X},",
            f"used = {'true' if block.used else 'false'}" + ("," if block.at is not None else ""),
            "" if block.at is None else f"at = {_at(block.at)}",
        )
        for block in blocks
    ]
    return _aligned(rows)


def _at(place: int) -> str:
    # TOML has no negative hexadecimal numbers
    return f"0x{place:X}" if place >= 0 else f'"-0x{-place:X}"'


def _aligned(rows: Sequence[Sequence[str]]) -> list[str]:
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    return [
        "    { "
        + " ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip()
        + " },"
        for row in rows
    ]
