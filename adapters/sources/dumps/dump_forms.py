"""Forms of a dump: as what its bytes may be read, and which of these it is.

A guest may leave anything at the beginning of its RAM: an ELF header, text, the first bytes of an
archive.  So what a dump's first bytes say is only the likeliest form, and the schema's recognise
bytes are the judge: where no build is recognised in that form, the same bytes are looked at as raw
memory, and so are those of each archive around them.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator
from dataclasses import dataclass

from adapters.dumps.decoding import FORMAT_WORDS
from adapters.sources.dumps.placing import Placed
from bridge.builds.evidence import evidence_spans, identities
from bridge.memory.address_map import MemoryMap, Span
from bridge.memory.byte_order import ByteOrder
from bridge.memory.fetched import Part
from schemas.compiler import BuildLayout
from schemas.errors import SourceUnusable

__all__ = ["RAW", "Chosen", "Form", "choose", "is_recognised"]

RAW = FORMAT_WORDS["raw"]


@dataclass(frozen=True, slots=True)
class Form:
    """A way to read a dump: its words, and what it gives.  ``place`` may raise SourceUnusable."""

    words: str
    place: Callable[[], Placed]


@dataclass(frozen=True, slots=True)
class Chosen:
    """The form that is used, and what it gives.

    ``recognised`` is None where the builds have no recognise bytes to tell by.
    """

    words: str
    placed: Placed
    recognised: bool | None


def choose(forms: Iterator[Form], memory: MemoryMap, builds: Collection[BuildLayout]) -> Chosen:
    """The first form in which a build is recognised, else the first of all.

    *forms* begin with what the dump seems to be.  Raises SourceUnusable where that one is damaged
    and no other is recognised.
    """
    can_tell = any(build.evidence for build in builds)
    first: Chosen | None = None
    fault: SourceUnusable | None = None
    tried: list[str] = []
    for form in forms:
        try:
            placed = form.place()
        except SourceUnusable as caught:
            if not can_tell:
                raise
            if not tried:
                fault = caught
            tried.append(form.words)
            continue
        recognised = is_recognised(placed, memory, builds)
        if recognised:
            if tried:
                against = f"no build is recognised in it as {tried[0]}"
                if fault is not None:
                    against = fault.detail
                placed.notes.append(f"is read as {form.words}, since {against}")
            return Chosen(form.words, placed, recognised)
        if not tried:
            first = Chosen(form.words, placed, recognised)
        tried.append(form.words)
        if not can_tell:
            break
    others = " or ".join(tried[1:])
    if first is None:
        assert fault is not None
        told = f"; as {others} no build is recognised either" if others else ""
        raise SourceUnusable(f"{fault.detail}{told}") from fault
    if others:
        first.placed.notes.append(
            f"is read as {first.words}; as {others} no build is recognised either"
        )
    return first


def is_recognised(
    placed: Placed, memory: MemoryMap, builds: Collection[BuildLayout]
) -> bool | None:
    """Whether a build's recognise bytes are there, in any byte order; None where none has any."""
    layouts = [build for build in builds if build.evidence]
    if not layouts:
        return None
    held = memory.truncated({name: region.size for name, region in placed.regions.items()})
    found: dict[Span, Part] = {}
    for span in evidence_spans(layouts, held):
        region = held.region_at(span.address)
        if region is not None and region.name in placed.regions:
            offset = span.address - region.start
            found[span] = placed.regions[region.name].read(offset, span.length)
    return bool(identities(layouts, held, found, list(ByteOrder)))
