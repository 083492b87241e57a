"""Two layouts compared, in words: the first difference, and the lines of the list."""

from __future__ import annotations

from bridge.heap.blocks import FREE
from bridge.heap.shape import Comparison, Laid, Sort

__all__ = ["block_words", "first_words", "name", "place_words"]

_NOTHING_MORE = "the end of the heap"


def name(owner: str) -> str:
    """An owner as people write it: an enumeration's member without underscores."""
    return owner.replace("_", " ")


def block_words(block: Laid, *, sizes: bool = True) -> str:
    """For example ``mist puff, 0x230 bytes``; use is told only where the owner does not say it."""
    words = name(block.owner)
    if sizes:
        words += f", 0x{block.size:X} bytes"
    if block.used is (block.owner == FREE):
        words += ", in use" if block.used else ", not in use"
    return words


def first_words(comparison: Comparison) -> str:
    """The first difference in a sentence; that there is none, where there is none."""
    number = comparison.first
    if number is None:
        count = len(comparison.lines)
        return f"matches: {count} block{'s' * (count != 1)}"
    place = "at the first block"
    if number:
        place = f"after block {number - 1} ({name(comparison.expected.blocks[number - 1].owner)})"
    return f"{place}: {_difference(comparison, number)}"


def _difference(comparison: Comparison, number: int) -> str:
    expected, found = comparison.expected.blocks, comparison.found.blocks
    sizes = not comparison.ignore_sizes
    if _swapped(comparison, number):
        first, second = (block_words(expected[number + step], sizes=sizes) for step in (0, 1))
        return f"expected {first}, and then {second}; found them in the other order"
    left = expected[number] if number < len(expected) else None
    right = found[number] if number < len(found) else None
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
        words += _by(right.size - left.size, "more", "less")
    if sort is Sort.EXPECTED_ONLY and not _replaced(comparison, number):
        words += f" ({name(left.owner)} is missing)"
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
