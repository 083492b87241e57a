"""States as rows of 64-bit words, and the set of those that are known: exact, and many at a time.

A row is packed from fields of fixed width.  The set is a hash table with open addresses (linear
probing) that holds row numbers; rows that meet there are compared in full, so that no two states
are ever taken for one.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = ["Numbers", "Packing", "Rows", "StateSet", "Words", "first_of_each"]

Words = NDArray[np.uint64]
Rows = list[Words]
"""One array a word; all are equally long."""
Numbers = NDArray[np.int64]
_WORD = 64
_ODD = (0x9E37_79B9_7F4A_7C15, 0xC2B2_AE3D_27D4_EB4F, 0x1656_67B1_9E37_79F9)
"""Multipliers without a pattern in their bits."""
_EMPTY = -1


class Packing:
    """Where each field lies in the words of a row: fields of at most 64 bits, first come first."""

    def __init__(self, widths: Mapping[str, int]) -> None:
        free: list[int] = []
        self._places: dict[str, tuple[int, int, int]] = {}
        for name, width in widths.items():
            word = next((n for n, bits in enumerate(free) if bits >= width), len(free))
            if word == len(free):
                free.append(_WORD)
            self._places[name] = (word, _WORD - free[word], (1 << width) - 1)
            free[word] -= width
        self.words = max(1, len(free))

    def packed(self, fields: Mapping[str, NDArray[Any]], count: int) -> Rows:
        """*count* rows of the fields' values."""
        rows = [np.zeros(count, np.uint64) for _ in range(self.words)]
        for name, values in fields.items():
            word, shift, _ = self._places[name]
            rows[word] |= values.astype(np.uint64) << np.uint64(shift)
        return rows

    def field(self, rows: Sequence[Words], name: str) -> Words:
        """The values of one field."""
        word, shift, mask = self._places[name]
        return (rows[word] >> np.uint64(shift)) & np.uint64(mask)


class StateSet:
    """All states that are known, numbered from 0 in the order in which they came."""

    def __init__(self, words: int) -> None:
        self.count = 0
        self._rows: Rows = [np.zeros(1024, np.uint64) for _ in range(words)]
        self._table = np.full(4096, _EMPTY, np.int32)

    def rows(self, states: Numbers) -> Rows:
        """The rows of some states."""
        return [word[states] for word in self._rows]

    def add(self, rows: Rows) -> tuple[Numbers, NDArray[np.bool_]]:
        """Add rows; gives each one's state, and whether it is the first of a new one."""
        size, base = len(rows[0]), self.count
        self._make_room(size)
        for known, new in zip(self._rows, rows, strict=True):
            known[base : base + size] = new  # new ones are closed up behind
        table, mask = self._table, len(self._table) - 1
        states = np.empty(size, np.int64)
        waiting = np.arange(base, base + size)
        place = self._places(rows)
        won = []
        while len(waiting):
            there = table[place]
            claims = there == _EMPTY
            claimed, at = waiting[claims], place[claims]
            # where several claim one place the first gets it: it is written last
            table[at[::-1]] = claimed[::-1]
            got = table[at] == claimed
            won.append((claimed[got], at[got]))
            states[claimed[got] - base] = claimed[got]
            # the others meet a row: one from before, or one that has just come
            lost = ~claims
            lost[claims] = ~got
            waiting, place = waiting[lost], place[lost]
            there = table[place]
            alike = np.ones(len(waiting), bool)
            for word in self._rows:
                alike &= word[there] == word[waiting]
            states[waiting[alike] - base] = there[alike]
            waiting, place = waiting[~alike], (place[~alike] + 1) & mask
        new = states == np.arange(base, base + size)
        number = base - 1 + np.cumsum(new)
        for first, at in won:
            table[at] = number[first - base]
        for word in self._rows:
            word[base : base + int(new.sum())] = word[base : base + size][new]
        self.count = base + int(new.sum())
        fresh = states >= base
        states[fresh] = number[states[fresh] - base]
        return states, new

    def _places(self, rows: Sequence[Words]) -> Numbers:
        """Where in the table a row is looked for first."""
        return (_mixed(rows) & np.uint64(len(self._table) - 1)).astype(np.int64)

    def _make_room(self, size: int) -> None:
        wanted = self.count + size
        if wanted > len(self._rows[0]):
            room = max(wanted, 2 * len(self._rows[0]))
            self._rows = [np.resize(word, room) for word in self._rows]
        if 2 * wanted > len(self._table):
            length = len(self._table)
            while length < 2 * wanted:
                length *= 2
            self._table = np.full(length, _EMPTY, np.int32)
            self._enter_all()

    def _enter_all(self) -> None:
        """Every known state into an empty table; all differ."""
        mask = len(self._table) - 1
        waiting = np.arange(self.count)
        place = self._places([word[: self.count] for word in self._rows])
        while len(waiting):
            claims = self._table[place] == _EMPTY
            self._table[place[claims]] = waiting[claims]
            left = self._table[place] != waiting
            waiting, place = waiting[left], (place[left] + 1) & mask


def first_of_each(rows: Sequence[Words]) -> Numbers:
    """Where in *rows* to find the first of each that differs, ascending.

    Two alike may be left where a third one has their hash: nothing else is ever left out.
    """
    mixed = _mixed(rows)
    order = np.argsort(mixed, kind="stable")
    again = np.ones(len(order) - 1, bool)
    for word in (mixed, *rows):
        ordered = word[order]
        again &= ordered[1:] == ordered[:-1]
    return np.sort(order[np.concatenate(([True], ~again))])


def _mixed(rows: Sequence[Words]) -> Words:
    """A hash of each row."""
    mixed = np.zeros(len(rows[0]), np.uint64)
    for word, odd in zip(rows, _ODD * len(rows), strict=False):
        mixed = (mixed ^ word) * np.uint64(odd)
        mixed ^= mixed >> np.uint64(32)
    return mixed
