"""Reader of an open source's memory, in the guest's byte order."""

from __future__ import annotations

from collections.abc import Sequence

from bridge.memory.address_map import MemoryMap, Span
from bridge.memory.byte_order import ByteOrder
from bridge.memory.fetched import Part, reordered
from bridge.ports.source import Opened, Source
from schemas.errors import SourceError

__all__ = ["GuestReader"]


class GuestReader:
    """Guest bytes of an open source, which holds them in byte order ``order``.

    Spans are held against ``memory``, the map of what the source holds, before it sees them;
    replies of a wrong length are refused; and bytes are turned to guest order, once.  With
    ``ByteOrder.BIG`` they come as the source holds them.
    """

    def __init__(self, source: Source, opened: Opened, order: ByteOrder) -> None:
        self.order = order
        self.memory: MemoryMap = opened.memory
        self._source = source

    async def fetch(self, spans: Sequence[Span]) -> Sequence[Part]:
        """The bytes of each span in guest order; None for a span of which nothing is held.

        Spans are canonical, begin at a multiple of 8 bytes into a region and lie inside it.
        Raises SourceLost; raises SourceError for a span outside the map or a reply of the wrong
        length.
        """
        source, memory, order = self._source, self.memory, self.order
        for span in spans:
            if memory.flat(span.address, span.length) is None:
                raise SourceError(
                    f"0x{span.address:08X} to 0x{span.end:08X} is outside every region",
                    source=source.name,
                    address=span.address,
                    length=span.length,
                )
        parts = await source.fetch(spans)
        if len(parts) != len(spans):
            raise SourceError(
                f"expected {len(spans)} replies, found {len(parts)}", source=source.name
            )
        for span, part in zip(spans, parts, strict=True):
            if part is not None and len(part) != span.length:
                raise SourceError(
                    f"0x{span.address:08X}: expected {span.length} bytes, found {len(part)}",
                    source=source.name,
                    address=span.address,
                    length=span.length,
                )
        return parts if order is ByteOrder.BIG else [reordered(part, order) for part in parts]
