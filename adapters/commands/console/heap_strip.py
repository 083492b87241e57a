"""The heap as a strip of characters, each block as wide as its share of the bytes.

A block begins with ``|``; a used one then shows its owner's name and is filled up with ``#``, a
free one is filled with ``.``; ``+`` stands where several blocks begin in one column.  So it reads
without colours, and in every encoding.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from adapters.printable import printable
from bridge.heap.blocks import Block

__all__ = ["MAX_ROWS", "HeapBar", "Piece", "strip"]

MAX_ROWS = 8
_LEGIBLE = 3
"""Columns that the smallest used block should have, if that takes no more than MAX_ROWS."""


@dataclass(frozen=True, slots=True)
class Piece:
    """Columns of one row that look alike: ``used`` is None where several blocks share them."""

    text: str
    used: bool | None


@dataclass(frozen=True, slots=True)
class HeapBar:
    """Rows of pieces from the first block to the last, and how many bytes a column stands for."""

    rows: tuple[tuple[Piece, ...], ...]
    bytes_per_column: float


def strip(blocks: Sequence[Block], width: int) -> HeapBar:
    """The strip of *blocks*, at most *width* columns wide."""
    # a block without a byte of payload is there all the same
    sizes = [max(block.size, 1) for block in blocks]
    total = sum(sizes)
    if not total:
        return HeapBar((), 0.0)
    width = max(width, 1)
    smallest = min((s for s, b in zip(sizes, blocks, strict=True) if b.used), default=total)
    wanted = -(-_LEGIBLE * total // (smallest * width))
    columns = width * min(max(wanted, 1), MAX_ROWS)
    cells = _cells(blocks, sizes, columns, total)
    rows = tuple(_pieces(cells[first : first + width]) for first in range(0, columns, width))
    return HeapBar(rows, total / columns)


def _cells(
    blocks: Sequence[Block], sizes: Sequence[int], columns: int, total: int
) -> list[tuple[str, bool | None]]:
    cells: list[tuple[str, bool | None]] = []
    before = 0
    for block, size in zip(blocks, sizes, strict=True):
        first, before = before * columns // total, before + size
        following = before * columns // total
        name = printable(block.owner) if block.used else ""
        fill = "#" if block.used else "."
        text = ("|" + name)[: max(following - first, 1)].ljust(following - first, fill)
        shared = len(cells) - first
        if shared:  # another block begins in the same column
            cells[first] = ("+", None)
        cells += [(letter, block.used) for letter in text[shared:]]
    return cells


def _pieces(cells: Sequence[tuple[str, bool | None]]) -> tuple[Piece, ...]:
    pieces: list[Piece] = []
    for letter, used in cells:
        if pieces and pieces[-1].used is used:
            pieces[-1] = Piece(pieces[-1].text + letter, used)
        else:
            pieces.append(Piece(letter, used))
    return tuple(pieces)
