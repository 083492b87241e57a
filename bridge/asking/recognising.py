"""Which build runs, by the recognise bytes that are typed."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from bridge.asking.question import RECOGNISE, Field, Question, canonical
from bridge.memory.address_map import MemoryMap
from schemas.compiler import BuildLayout, Evidence

__all__ = ["recognised", "recognising_question"]


def recognised(
    layouts: Sequence[BuildLayout], known: Mapping[int, int], memory: MemoryMap
) -> list[BuildLayout]:
    """The builds against which no byte that is known speaks; the only one that there is, always."""
    if len(layouts) == 1:
        return list(layouts)
    return [
        layout
        for layout in layouts
        if layout.evidence
        and all(
            known.get(at, byte) == byte
            for mark in layout.evidence
            for at, byte in _bytes(mark, memory).items()
        )
    ]


def recognising_question(
    number: int, layouts: Sequence[BuildLayout], known: Mapping[int, int], memory: MemoryMap
) -> Question | None:
    """The next recognise bytes of *layouts*, those that may run; None where all are known."""
    for layout in layouts:
        for mark in layout.evidence:
            if all(at in known for at in _bytes(mark, memory)):
                continue
            start = canonical(memory, mark.address)
            told = {
                each.name: other.shown
                for each in layouts
                for other in each.evidence
                if canonical(memory, other.address) == start and len(other.data) == len(mark.data)
            }
            hint = ", ".join(f"{name} has {shown}" for name, shown in told.items())
            field = Field(RECOGNISE, start, len(mark.data))
            return Question(
                number, start, len(mark.data), (field,), ("the build",), None, hint, True
            )
    return None


def _bytes(mark: Evidence, memory: MemoryMap) -> dict[int, int]:
    return {canonical(memory, mark.address + offset): byte for offset, byte in enumerate(mark.data)}
