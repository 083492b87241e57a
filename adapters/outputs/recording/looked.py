"""What of a game's memory a recording looks at, and where the counters of its frames lie."""

from __future__ import annotations

from collections.abc import Sequence

from adapters.outputs.recording.capture import Looked, PlacedCounter
from bridge.builds.evidence import aligned_span
from bridge.memory.address_map import MemoryMap, Span
from bridge.memory.byte_order import ByteOrder
from bridge.memory.counter import Counter
from bridge.ports.memory_observer import FrameCounters

__all__ = ["looked_at"]


def looked_at(
    memory: MemoryMap, spans: Sequence[Span], counters: FrameCounters, order: ByteOrder
) -> Looked:
    """*spans* of *memory*, which a source holds in byte order *order*."""
    number = None if counters.number is None else _placed(memory, counters.number)
    guard, missing = None, False
    if counters.guard is not None:
        began, ended = (_placed(memory, each) for each in counters.guard)
        if began is not None and ended is not None:
            guard = began, ended
        missing = guard is None
    return Looked(tuple(spans), order, number, guard, missing)


def _placed(memory: MemoryMap, counter: Counter) -> PlacedCounter | None:
    span = aligned_span(memory, counter.address, counter.size)
    if span is None:
        return None
    flat = memory.flat(counter.address)
    assert flat is not None  # inside, since the span is
    return PlacedCounter(counter, span, memory.address(flat) - span.address)
