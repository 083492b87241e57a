"""Which of a schema's numbers count the game's frames: those that are seen to count.

Any unsigned symbol may be the frame counter, and only a running game tells.  What goes up by a
little at a steady pace counts frames; what leaps, goes back or stands still does not.
"""

from __future__ import annotations

import asyncio
import itertools
import re
import time
from collections.abc import Sequence
from dataclasses import dataclass

from bridge.builds.evidence import aligned_span
from bridge.memory.address_map import MemoryMap
from bridge.memory.counter import Counter
from bridge.memory.fetched import cut
from bridge.ports.guest_reader import GuestReader
from bridge.ports.source import Source
from schemas.compiler import BuildLayout
from schemas.layout import Scalar

__all__ = [
    "FASTEST",
    "LOOK_EVERY",
    "LOOK_EVERY_COSTLY",
    "SLOWEST",
    "WATCH_FOR",
    "Counting",
    "count_rate",
    "frame_counter",
    "frame_guard",
    "unsigned_symbols",
    "watch_counters",
]

WATCH_FOR = 1.0
LOOK_EVERY = 0.02
LOOK_EVERY_COSTLY = 0.1
SLOWEST, FASTEST = 4.0, 20_000.0
"""Counts a second of what may be frames: a game may be run without waiting."""
_PAIRS = (("began", "ended"), ("begin", "end"), ("begun", "ended"), ("start", "end"))


@dataclass(frozen=True, slots=True)
class Counting:
    """A symbol that counted, and how many times a second."""

    symbol: str
    rate: float


def unsigned_symbols(layout: BuildLayout, memory: MemoryMap) -> list[Counter]:
    """The symbols of a build that may count frames: unsigned, 16 bits or more, in memory."""
    return [
        Counter(symbol.name, symbol.address, symbol.type.size, layout.order == ">")
        for symbol in layout.symbols.values()
        if isinstance(symbol.type, Scalar)
        and not (symbol.type.floating or symbol.type.signed or symbol.type.angle)
        and symbol.type.size >= 2
        and aligned_span(memory, symbol.address, symbol.type.size) is not None
    ]


async def watch_counters(
    source: Source, reader: GuestReader, counters: Sequence[Counter]
) -> list[Counting]:
    """Watch numbers of an open source for a second, by a reader that knows its byte order.

    Raises SourceLost.
    """
    if not counters:
        return []
    memory, spans = reader.memory, []
    for counter in counters:
        span = aligned_span(memory, counter.address, counter.size)
        assert span is not None
        spans.append(span)
    every = LOOK_EVERY_COSTLY if source.cadence.costly else LOOK_EVERY
    began = time.monotonic()
    samples: list[list[int | None]] = []
    while (spent := time.monotonic() - began) < WATCH_FOR or len(samples) < 2:
        async with source.held_still():
            parts = await reader.fetch(spans)
        row: list[int | None] = []
        for counter, span, part in zip(counters, spans, parts, strict=True):
            at = _offset(memory, counter.address, span.address)
            word = cut(part, at, counter.size)
            row.append(None if word is None else _number(word, big=counter.big_endian))
        samples.append(row)
        await asyncio.sleep(every)
    found = []
    for index, counter in enumerate(counters):
        rate = count_rate([row[index] for row in samples], counter.size, spent)
        if rate is not None:
            found.append(Counting(counter.name, rate))
    return found


def _number(word: bytes, *, big: bool) -> int:
    return int.from_bytes(word, "big" if big else "little")


def _offset(memory: MemoryMap, address: int, start: int) -> int:
    """Bytes from a canonical address to another one, which may be a mirror's."""
    first, flat = memory.flat(start), memory.flat(address)
    assert first is not None
    assert flat is not None
    return flat - first


def count_rate(values: Sequence[int | None], size: int, seconds: float) -> float | None:
    """Counts a second of a number of *size* bytes seen at these values; None if it does not count.

    It counts where it never goes back, but for running over, and at the pace that frames may have.
    """
    if None in values or len(values) < 2 or seconds <= 0:
        return None
    turn = 1 << 8 * size
    total = 0
    for before, now in itertools.pairwise(values):
        assert before is not None
        assert now is not None
        step = (now - before) % turn
        if step >= turn // 2:
            return None
        total += step
    rate = total / seconds
    return rate if SLOWEST <= rate <= FASTEST else None


def frame_guard(names: Sequence[str]) -> tuple[str, str] | None:
    """Two names that say of themselves that they count frames begun and frames ended."""
    for began_word, ended_word in _PAIRS:
        for name in names:
            if not re.search(rf"(^|_){began_word}(_|$)", name):
                continue
            other = re.sub(rf"(^|_){began_word}(_|$)", rf"\g<1>{ended_word}\g<2>", name)
            if other in names:
                return name, other
    return None


def frame_counter(counting: Sequence[Counting]) -> Counting | None:
    """The likeliest frame counter of those that count: one that is called so, else the first."""
    named = [each for each in counting if "frame" in each.symbol.lower()]
    return next(iter(named or counting), None)
