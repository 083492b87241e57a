"""Base of the sources that are sent frames: ``push`` over TCP and ``serial`` over a line."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence

from adapters.sources.pushed import lhp
from adapters.sources.pushed.pushed_image import PushedImage
from bridge.memory.address_map import MemoryMap, Span
from bridge.memory.byte_order import ByteOrder
from bridge.memory.fetched import Part
from bridge.ports.changes import Changes, Rest
from bridge.ports.source import Cadence, Consistency, Opened, Source
from bridge.values.status import Status
from schemas.errors import SourceLost

__all__ = ["PushedFrames", "image_of"]


class PushedFrames(Source):
    """One producer's frames.  The bytes that are read change only in :meth:`wait`.

    :meth:`wait` skips to the newest frame.
    """

    def __init__(self) -> None:
        super().__init__()
        self._guest: MemoryMap | None = None
        self._memory: MemoryMap | None = None
        self._hello: lhp.Hello | None = None
        self._image: PushedImage | None = None
        self._wanted: list[Span] = []
        self._arrived: int | None = None
        self._lost = "is closed"
        self._changed = asyncio.Event()

    @property
    def cadence(self) -> Cadence:
        return Cadence.ANNOUNCED

    @property
    def consistency(self) -> Consistency:
        return Consistency.SENDER

    @property
    def declared_order(self) -> ByteOrder | None:
        return self._hello.order if self._hello else None

    async def _wait(self) -> int | None:
        while True:
            if self._arrived is not None and self._image is not None:
                number, self._arrived = self._arrived, None
                self._image.show()
                return number
            self._check()
            self._changed.clear()
            await self._changed.wait()

    async def _fetch(self, spans: Sequence[Span]) -> list[Part]:
        return self._parts(spans)

    def changes(self, *, everything: bool = False) -> Changes:
        """What was sent with the frame that is read; of other bytes nobody tells whether they have
        changed."""
        sent = [] if self._image is None else self._image.sent
        return Changes(list(zip(sent, self._parts(sent), strict=True)), Rest.UNKNOWN)

    def _parts(self, spans: Sequence[Span]) -> list[Part]:
        self._check()
        memory, image = self._memory, self._image
        if memory is None or image is None:
            raise SourceLost("no producer is connected", source=self.name)
        parts: list[Part] = []
        for span in spans:
            region = memory.region_at(span.address)
            parts.append(None if region is None else image.read(region, span))
        return parts

    def _check(self) -> None:
        if self._lost:
            raise SourceLost(self._lost, source=self.name)

    def _opened(self, guest: MemoryMap, image: PushedImage) -> Opened:
        """What the producer that was accepted can send of *guest*."""
        self._memory = guest.truncated(image.sizes)
        return Opened(self._memory, guest, Status.WAITING, "has not been sent yet")

    def _forget_producer(self) -> None:
        self._hello = None
        self._image = None
        self._arrived = None
        self._lost = ""

    def _greeted(self, hello: lhp.Hello, image: PushedImage) -> None:
        """A producer was accepted."""
        self._hello = hello
        self._image = image
        self._arrived = None
        self._lost = ""
        self._changed.set()

    def _applied(self, frame: int, changes: Sequence[tuple[int, bytes]]) -> None:
        """A whole frame has come."""
        if self._image is not None:
            self._image.apply(changes)
            self._arrived = frame
            self._changed.set()

    def _welcome(self) -> lhp.Welcome:
        return lhp.Welcome(lhp.MAX_PAYLOAD, self._wanted_ranges())

    def _wanted_ranges(self) -> tuple[tuple[int, int], ...]:
        if self._image is None:
            return ()
        ranges = self._image.ranges(self._wanted)
        if len(ranges) > lhp.MAX_RANGES and self._guest is not None:
            # more than one FRAME may name: ask for everything
            ranges = self._image.ranges(self._guest.whole())
        return tuple(ranges)


def image_of(layout: MemoryMap, hello: lhp.Hello) -> PushedImage:
    """A producer's RAM as *layout* sees it.  Raises LhpError where it meets no region."""
    image = PushedImage(layout, hello.base, hello.size)
    if not image.sizes:
        ranges = ", ".join(f"0x{r.start:08X} to 0x{r.end:08X}" for r in layout.regions)
        raise lhp.LhpError(
            lhp.Code.OUTSIDE_RAM,
            f"0x{hello.base:08X} to 0x{hello.base + hello.size:08X} meets no region: "
            f"expected {ranges}",
        )
    return image
