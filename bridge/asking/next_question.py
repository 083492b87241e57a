"""Next question: which bytes are asked for, and what for, of what the watches lack.

The first watch in the file that lacks something comes first, and with it its way from pointer to
pointer; all others that lack the same bytes are named with it.  Small fields of one aligned word
stand side by side on any memory display, so they are asked for together.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

from bridge.asking.aims import Aim
from bridge.asking.looking import Lacking
from bridge.asking.question import AddressSum, Field, Question, canonical, sum_of
from bridge.memory.address_map import MemoryMap

__all__ = ["Pending", "next_question"]

_WORD = 4
_SMALL = 2
"""Bytes of a field that is asked for together with its neighbours in a word."""


@dataclass(frozen=True, slots=True)
class Pending:
    """An aim with what it lacks next."""

    aim: Aim
    lacking: Lacking


def next_question(
    number: int,
    pending: Sequence[Pending],
    known: Collection[int],
    held: Mapping[str, int],
    whole: Collection[str],
    memory: MemoryMap,
) -> Question | None:
    """The question that comes next; None where nothing is lacking.

    *known* are the addresses of the bytes that are known, *held* the values of the pointers that
    were typed, by their texts, and *whole* the places that are asked for as a whole.
    """
    if not pending:
        return None
    fields = [_field(each.lacking, whole) for each in pending]
    first = fields[0]
    for field in fields[1:]:
        if (
            field.address <= first.address
            and _end(field) >= _end(first)
            and field.size > first.size
        ):
            first = field
    lacked = _lacked(first, known)
    together = [lacked]
    if lacked == first:
        together = _word(first, [field for field in fields if _lacked(field, known) == field])
    start, end = together[0].address, _end(together[-1])
    needed = [
        each.aim.title
        for each, field in zip(pending, fields, strict=True)
        if field.address < end and start < _end(field)
    ]
    total = None
    if len(together) == 1:
        total = _sum(pending[fields.index(first)].lacking, lacked, held, memory)
    return Question(
        number, start, end - start, tuple(together), tuple(dict.fromkeys(needed)), total
    )


def _field(lacking: Lacking, whole: Collection[str]) -> Field:
    """What stands where an access lacks bytes: the part that it reads, or all of the value."""
    site = lacking.site
    offset = site.offset - site.value_offset
    if site.leaf is not None and (offset or site.size < site.leaf.size) and site.place in whole:
        return Field(site.place, lacking.address - offset, site.leaf.size, site.leaf)
    return Field(site.place, lacking.address, site.size, site.leaf, offset)


def _lacked(field: Field, known: Collection[int]) -> Field:
    """The first bytes of a field that are not known, and stand together."""
    lacked = [at for at in range(field.address, _end(field)) if at not in known]
    if len(lacked) == field.size:
        return field
    size = 1
    while lacked[0] + size in lacked:
        size += 1
    offset = field.offset + lacked[0] - field.address
    return Field(field.place, lacked[0], size, field.leaf, offset)


def _word(first: Field, others: Sequence[Field]) -> list[Field]:
    """The fields that are asked for with one: those beside it in its word, without a gap."""
    if first.size > _SMALL or first.leaf is None:
        return [first]
    word = first.address // _WORD
    beside = {
        field.address: field
        for field in others
        if field.size <= _SMALL
        and field.leaf is not None
        and word == field.address // _WORD == (_end(field) - 1) // _WORD
    }
    beside[first.address] = first
    found = [first]
    while (after := beside.get(_end(found[-1]))) is not None:
        found.append(after)
    by_end = {_end(field): field for field in beside.values()}
    while (before := by_end.get(found[0].address)) is not None:
        found.insert(0, before)
    return found


def _sum(
    lacking: Lacking, field: Field, held: Mapping[str, int], memory: MemoryMap
) -> AddressSum | None:
    """How the address of a field comes from the pointer that was typed, where it does."""
    site = lacking.site
    start = held.get(site.pointer)
    base = lacking.address - site.offset
    if not base:
        return None  # a symbol's: its address is the build's own
    words, path = f"{site.pointer} holds", site.place.removeprefix(site.pointer)
    if start is None or canonical(memory, start) != base:
        start, words = base, f"{site.pointer or 'it'} begins at"
    added = [(path or site.place, site.value_offset)]
    if field.offset:
        last = field.offset + field.size - 1
        added.append((f"bytes {field.offset} to {last}", field.offset))
    return sum_of(words, start, added)


def _end(field: Field) -> int:
    return field.address + field.size
