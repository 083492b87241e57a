"""Stretches of frames made by hand: what each frame writes, and what is gone."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from bridge.querying.asked import Asked
from bridge.querying.known_memory import KnownMemory
from bridge.querying.query import Numbers, Plan, Query
from bridge.querying.rows import Column
from bridge.querying.stretch import Spans, Stretch
from tests.bridge.made_guest import Guest


@dataclass
class MadeFrame:
    """A frame's number, what it writes (guest address and bytes), and what is gone (address and
    length)."""

    number: int
    writes: Sequence[tuple[int, bytes]] = ()
    gone: Sequence[tuple[int, int]] = field(default_factory=tuple)


def stretch_of(frames: Sequence[MadeFrame], first: int = 0) -> Stretch:
    """The frames as arrays; *first* of them were before, at sixty a second."""
    parts = [(n, at, data) for n, frame in enumerate(frames) for at, data in frame.writes]
    gone = [(n, at, length) for n, frame in enumerate(frames) for at, length in frame.gone]
    lengths = np.array([len(data) for _, _, data in parts], np.int64)
    return Stretch(
        [frame.number for frame in frames],
        np.array([1_000_000_000 + (first + n) * 16_666_667 for n in range(len(frames))], np.int64),
        np.zeros(len(frames), np.bool_),
        Spans(
            np.array([n for n, _, _ in parts], np.int64),
            np.array([at for _, at, _ in parts], np.int64),
            lengths,
            np.cumsum(lengths) - lengths,
        ),
        Spans(
            np.array([n for n, _, _ in gone], np.int64),
            np.array([at for _, at, _ in gone], np.int64),
            np.array([length for _, _, length in gone], np.int64),
            np.zeros(len(gone), np.int64),
        ),
        np.frombuffer(b"".join(data for _, _, data in parts), np.uint8),
    )


def columns_of(
    guest: Guest,
    asked: Asked,
    stretches: Sequence[Stretch],
    unknown: Sequence[tuple[int, int]] = (),
    *,
    at_once: bool,
) -> list[Column]:
    """The columns over all stretches; *unknown* are addresses and lengths of what is not known."""
    memory = KnownMemory(guest.memory)
    for span in guest.memory.whole():
        memory.write(span, guest.part(span))
    for address, length in unknown:
        flat = guest.memory.flat(address, length)
        assert flat is not None
        memory.known[flat : flat + length] = 0
    plan = Plan(asked, guest.memory, at_once=at_once)
    query = Query(plan, memory, guest.memory, Numbers())
    found = [query.over(stretch).columns for stretch in stretches]
    return [
        Column(
            each[0].kind,
            np.concatenate([column.values for column in each]),
            np.concatenate([column.status for column in each]),
        )
        for each in zip(*found, strict=True)
    ]


def told(column: Column) -> list[tuple[int, str, str]]:
    """A column's statuses and values, such that 0.0, -0.0, 0 and False differ."""
    values = column.given()
    return [
        (code, type(value).__name__, repr(value))
        for code, value in zip(column.status.tolist(), values, strict=True)
    ]
