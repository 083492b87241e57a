"""An addition worked as an example: a pointer that could be, and what is added to it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from bridge.sheet.recipe import Look, Recipe, Walk
from bridge.solvers.hex_sum import HexStep, hex_steps
from schemas.schema_file import Memory

__all__ = ["Worked", "example", "worked_in"]

_ALIGNMENTS = (16, 4, 2, 1)
_TRIED = 0x1000
"""Bytes behind the middle of memory in which an example with a carry is looked for."""


@dataclass(frozen=True, slots=True)
class Worked:
    """The sum of what the letter stands for in the example and what is added to it."""

    letter: str
    step: HexStep

    def as_json(self) -> dict[str, Any]:
        """The object for ``--json``: digits without 0x, as ``lowhalf solve hex`` gives them."""
        return {
            "letter": self.letter,
            "before": self.step.before,
            "operand": self.step.operand,
            "carries": self.step.carries,
            "after": self.step.after,
        }


def worked_in(recipe: Recipe, memory: Memory) -> tuple[Worked, ...]:
    """An example of each addition to a letter in a recipe, in the order in which they come."""
    found: dict[tuple[str, int], Worked] = {}
    for each in recipe.definitions:
        looks = each.inner if isinstance(each, Walk) else (each,)
        sums = [(look.at.base, look.at.add) for look in looks if isinstance(look, Look)]
        if isinstance(each, Walk):
            sums.append((each.element, each.next_add))
        for letter, add in sums:
            if letter and add:
                step = hex_steps(example(memory, add), [add])[0]
                found[letter, add] = Worked(letter, step)
    return tuple(found.values())


def example(memory: Memory, add: int) -> int:
    """An address to which *add* bytes can be added within memory, where it can be with a carry."""
    region = memory.regions[0]
    middle = region.start + (region.size // 2 & ~0xFFF)
    last = region.start + region.size - add
    for alignment in _ALIGNMENTS:
        for address in range(middle + 0xA0, middle + _TRIED, alignment):
            if address < last and _carries(address, add):
                return address
    return middle if middle < last else region.start


def _carries(address: int, add: int) -> bool:
    """Whether the sum carries, though not so far that a fourth digit changes."""
    return bool((address ^ add ^ address + add) & 0x110) and not (address ^ address + add) & ~0xFFF
