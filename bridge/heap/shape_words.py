"""Two layouts compared, in words: the first difference, and the lines of the list."""

from __future__ import annotations

from dataclasses import dataclass

from bridge.heap.blocks import FREE
from bridge.heap.laid import Laid
from bridge.heap.shape import Comparison, Sort

__all__ = [
    "Taken",
    "block_words",
    "first_words",
    "name",
    "owner_words",
    "place_words",
    "taken",
    "taken_words",
]

_NOTHING_MORE = "the end of the heap"
_NAMED = 4
"""Owners that are named of those that a run took."""


def name(owner: str) -> str:
    """An owner as people write it: an enumeration's member without underscores."""
    return owner.replace("_", " ")


def owner_words(block: Laid) -> str:
    """What lives in a block, or the wildcard that stands for it."""
    if block.wildcard is None:
        return name(block.owner)
    return "any block" if block.wildcard.one else block.owner


def block_words(block: Laid, *, sizes: bool = True) -> str:
    """For example ``mist puff, 0x230 bytes``; use is told only where the owner does not say it."""
    words = owner_words(block)
    if block.run:
        return words
    if sizes:
        words += ", any size" if block.size is None else f", 0x{block.size:X} bytes"
    if block.wildcard is not None:
        words += {None: "", True: ", in use", False: ", not in use"}[block.used]
    elif block.used is (block.owner == FREE):
        words += ", in use" if block.used else ", not in use"
    return words


def first_words(comparison: Comparison) -> str:
    """The first difference in a sentence; that there is none, where there is none."""
    number, block = comparison.first, comparison.first_block
    if number is None or block is None:
        count = len(comparison.found.blocks)
        return f"matches: {count} block{'s' * (count != 1)}"
    place = "at the first block"
    if block:
        place = f"after block {block - 1} ({name(comparison.found.blocks[block - 1].owner)})"
    return f"{place}: {_difference(comparison, number)}"


@dataclass(frozen=True, slots=True)
class Taken:
    """What a wildcard of a layout took: its position there, and indices of the heap's blocks."""

    position: int
    blocks: tuple[int, ...]


def taken(comparison: Comparison) -> list[Taken]:
    """Of each wildcard in turn which blocks it took."""
    found: dict[int, list[int]] = {}
    for line in comparison.lines:
        if line.expected is not None and not comparison.expected.blocks[line.expected].exact:
            took = found.setdefault(line.expected, [])
            if line.found is not None and line.sort is Sort.SAME:
                took.append(line.found)
    return [Taken(position, tuple(blocks)) for position, blocks in found.items()]


def taken_words(comparison: Comparison, took: Taken) -> str:
    """For example ``3 any* took blocks 4 to 6 (gull, crate, crate)``."""
    blocks = comparison.found.blocks
    wild = comparison.expected.blocks[took.position]
    words = f"{took.position} {block_words(wild, sizes=not comparison.ignore_sizes)} took "
    if not took.blocks:
        return words + "none"
    if not wild.run:
        (number,) = took.blocks
        return words + f"block {number} ({block_words(blocks[number])})"
    first, last = took.blocks[0], took.blocks[-1]
    owners = [name(blocks[number].owner) for number in took.blocks[:_NAMED]]
    if len(took.blocks) > _NAMED:
        owners.append("…")
    which = f"block {first}" if first == last else f"blocks {first} to {last}"
    return f"{words}{which} ({', '.join(owners)})"


def _difference(comparison: Comparison, number: int) -> str:
    expected, found = comparison.expected.blocks, comparison.found.blocks
    sizes = not comparison.ignore_sizes
    if comparison.expected.wildcards is None and _swapped(comparison, number):
        first, second = (block_words(expected[number + step], sizes=sizes) for step in (0, 1))
        return f"expected {first}, and then {second}; found them in the other order"
    here_on = comparison.lines[number:]
    left = next((expected[line.expected] for line in here_on if line.expected is not None), None)
    right = next((found[line.found] for line in here_on if line.found is not None), None)
    if left is None or right is None:
        here = _NOTHING_MORE if left is None else block_words(left, sizes=sizes)
        there = _NOTHING_MORE if right is None else block_words(right, sizes=sizes)
        return f"expected {here}; found {there}"
    words = f"expected {block_words(left, sizes=sizes)}"
    sort = comparison.lines[number].sort
    if sort is Sort.MOVED:
        assert left.at is not None
        assert right.at is not None
        way = _by(right.at - left.at, "further on", "further back")
        return f"{words}, {place_words(left.at)}; found it {place_words(right.at)}{way}"
    words += f"; found {block_words(right, sizes=sizes)}"
    if sort is Sort.DIFFERS and left.owner == right.owner and sizes:
        words += _by((right.size or 0) - (left.size or 0), "more", "less")
    if sort is Sort.EXPECTED_ONLY and not _replaced(comparison, number):
        words += f" ({owner_words(left)} is missing)"
    if sort is Sort.FOUND_ONLY:
        words += f" ({name(right.owner)} is extra)"
    return words


def place_words(at: int) -> str:
    """Where a block lies from the first one, in bytes."""
    return f"at {'-' if at < 0 else '+'}0x{abs(at):X}"


def _by(difference: int, more: str, less: str) -> str:
    if not difference:
        return ""
    return f" (0x{abs(difference):X} {more if difference > 0 else less})"


def _replaced(comparison: Comparison, number: int) -> bool:
    """Whether something else is found before both sides have a block again."""
    for line in comparison.lines[number:]:
        if line.expected is None:
            return True
        if line.found is not None:
            return False
    return False


def _swapped(comparison: Comparison, number: int) -> bool:
    """Whether the two blocks from here on stand in the other order, and the next are right."""
    left, right = (
        side.shapes(comparison.ignore_sizes)[number : number + 3]
        for side in (comparison.expected, comparison.found)
    )
    if len(left) < 2 or left[:2] != right[1::-1] or left[0] == left[1]:
        return False
    return left[2:] == right[2:]
