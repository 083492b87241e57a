"""Blocks that cannot be right, in words."""

from __future__ import annotations

from bridge.heap.blocks import Row

__all__ = ["PLACES", "Damage", "byte_words", "crooked", "extent_words", "unsound"]


class Damage(Exception):
    """A block that cannot be right, and what is wrong with it."""


PLACES = {
    "list": "with its header",
    "free": "with its header",
    "slots": "which is the slot",
    "handles": "which is that of the handle",
}
"""What a message calls the place of a block in a heap of each form."""


def extent_words(row: Row) -> str:
    """Where a payload lies."""
    return f"0x{row[2]:X} bytes from 0x{row[1]:08X}"


def byte_words(size: int) -> str:
    """So many bytes."""
    return "1 byte" if size == 1 else f"{size} bytes"


def unsound(magic: str) -> None:
    """What is true for every sound block is not."""
    raise Damage(f"{magic} is false")


def crooked(payload: int, size: int, alignment: int) -> None:
    """Payload or size is not aligned."""
    if payload % alignment:
        raise Damage(f"its payload at 0x{payload:08X} is not a multiple of {alignment}")
    raise Damage(f"its size 0x{size:X} is not a multiple of {alignment}")
