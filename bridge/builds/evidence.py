"""Which build is running, and in which byte order its source holds it: by the schema's evidence.

Each build may name bytes that stand in its memory and in no other build's.  They also tell the byte
order: they are looked for in each order that is possible.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from bridge.memory.address_map import MemoryMap, Span
from bridge.memory.byte_order import ByteOrder
from bridge.memory.fetched import Part, cut, reordered
from schemas.compiler import BuildLayout, Evidence

__all__ = [
    "Identity",
    "aligned_span",
    "evidence_bytes",
    "evidence_spans",
    "identities",
    "unknown_build",
]

_ALIGN = 8


@dataclass(frozen=True, slots=True)
class Identity:
    """A build in a byte order."""

    build: str
    order: ByteOrder


def aligned_span(memory: MemoryMap, address: int, length: int) -> Span | None:
    """The span of whole 8-byte words around some bytes, by canonical address; None if outside.

    Whole words, because a byte order can only be undone on whole words.
    """
    region, flat = memory.region_at(address), memory.flat(address, length)
    if region is None or flat is None:
        return None
    first = flat - memory.flat_starts[region.name]
    start = first // _ALIGN * _ALIGN
    end = min(-(-(first + length) // _ALIGN) * _ALIGN, region.size)
    return Span(region.start + start, end - start)


def evidence_spans(builds: Iterable[BuildLayout], memory: MemoryMap) -> list[Span]:
    """The spans that hold the evidence of all builds."""
    spans: dict[Span, None] = {}
    for build in builds:
        for mark in build.evidence:
            span = aligned_span(memory, mark.address, len(mark.data))
            if span is not None:
                spans[span] = None
    return list(spans)


def identities(
    builds: Sequence[BuildLayout],
    memory: MemoryMap,
    found: Mapping[Span, Part],
    orders: Sequence[ByteOrder],
) -> list[Identity]:
    """Every build and byte order that the bytes *found*, as the source holds them, agree with.

    A build without evidence agrees with nothing.
    """
    return [
        Identity(build.name, order)
        for order in orders
        for build in builds
        if build.evidence and all(_agrees(mark, memory, found, order) for mark in build.evidence)
    ]


def evidence_bytes(
    mark: Evidence, memory: MemoryMap, found: Mapping[Span, Part], order: ByteOrder
) -> bytes | None:
    """The bytes that stand where a mark should be; None where the source does not hold them."""
    span = aligned_span(memory, mark.address, len(mark.data))
    if span is None:
        return None
    canonical = memory.flat(mark.address, 1)
    start = memory.flat(span.address, 1)
    assert canonical is not None
    assert start is not None
    return cut(reordered(found.get(span), order), canonical - start, len(mark.data))


def unknown_build(
    builds: Sequence[BuildLayout],
    memory: MemoryMap,
    found: Mapping[Span, Part],
    order: ByteOrder,
) -> str:
    """A sentence that says what was looked for and what was there."""
    parts = []
    for build in builds:
        for mark in build.evidence:
            data = evidence_bytes(mark, memory, found, order)
            shown = "nothing" if data is None else _shown(data)
            parts.append(f"{build.name} wants {mark.shown} at 0x{mark.address:08X}, found {shown}")
    if not parts:
        return "no build has recognise bytes; name one with build in the bridge file"
    return f"no build is recognised: {'; '.join(parts)}"


def _agrees(
    mark: Evidence, memory: MemoryMap, found: Mapping[Span, Part], order: ByteOrder
) -> bool:
    return evidence_bytes(mark, memory, found, order) == mark.data


def _shown(data: bytes) -> str:
    if data.isascii() and data.decode("ascii").isprintable():
        return f'"{data.decode("ascii")}"'
    return data.hex(" ").upper()
