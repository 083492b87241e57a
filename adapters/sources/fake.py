"""Source ``fake``: bytes that a test scripts, for this project's tests and for users' own."""

from __future__ import annotations

import asyncio
from collections.abc import Mapping, Sequence
from typing import ClassVar

from bridge.memory.address_map import MemoryMap, Span
from bridge.memory.byte_order import ByteOrder, reorder
from bridge.ports.source import Cadence, Consistency, Opened, Source
from schemas.errors import SourceLost, SourceUnusable
from schemas.source_settings import FakeSource

__all__ = ["ScriptedSource"]


class ScriptedSource(Source):
    """A guest whose memory and frames a test writes.

    Memory is zero where the test pokes nothing.  ``batches`` is every batch of spans asked for, in
    order, and ``wants`` every hint given through :meth:`want`.
    """

    kind: ClassVar[str] = "fake"

    def __init__(
        self,
        settings: FakeSource | None = None,
        *,
        cadence: Cadence | None = None,
        consistency: Consistency = Consistency.UNGUARDED,
        byte_order: ByteOrder = ByteOrder.BIG,
        held: Mapping[str, int] | None = None,
    ) -> None:
        """Bytes are held in *byte_order*, though always poked in the guest's own.

        Without *cadence*, one that is ``STILL`` has one frame, and any other is polled.  *held* is
        how many bytes of each region, by name, there are; without it all.
        """
        super().__init__()
        self.settings = settings or FakeSource(kind="fake")
        still = Cadence.ONCE if consistency is Consistency.STILL else Cadence.POLLED
        self._cadence = still if cadence is None else cadence
        self._consistency = consistency
        self.batches: list[list[Span]] = []
        self.wants: list[list[Span]] = []
        self.opened = False
        self._byte_order = byte_order
        self._sizes = held
        # by place and length, the newest last: a guest that runs for a day pokes the same places
        self._pokes: dict[tuple[int, int], bytes] = {}
        self._flat = bytearray()
        self._guest: MemoryMap | None = None
        self._refused: list[tuple[int, int]] = []
        self._lost = ""
        self._number = 0
        self._frames: list[int] = []
        self._changed = asyncio.Event()

    @property
    def cadence(self) -> Cadence:
        """How its frames come; a test may change it."""
        return self._cadence

    @cadence.setter
    def cadence(self, cadence: Cadence) -> None:
        self._cadence = cadence

    @property
    def consistency(self) -> Consistency:
        """What it vouches for; a test may change it."""
        return self._consistency

    @consistency.setter
    def consistency(self, consistency: Consistency) -> None:
        self._consistency = consistency

    def poke(self, address: int, data: bytes) -> None:
        """Write guest bytes, in guest order, also before the source is open.

        Raises ValueError for bytes outside every region, where the regions are known already.
        """
        if self._guest is not None:
            self._write(self._guest, address, data)
        place = address, len(data)
        self._pokes.pop(place, None)
        self._pokes[place] = bytes(data)

    def next(self) -> int:
        """Announce the next frame; returns its number, one more than the last."""
        self.frame(self._number + 1)
        return self._number

    def frame(self, number: int) -> None:
        """Announce a frame by its number.  Each announced frame is waited for once, in order."""
        self._number = number
        self._frames.append(number)
        self._changed.set()

    def lose(self, reason: str = "was lost") -> None:
        """From now on every use raises SourceLost with *reason*."""
        self._lost = reason
        self._changed.set()

    def restore(self) -> None:
        """Take :meth:`lose` back."""
        self._lost = ""

    def refuse(self, address: int, length: int = 1) -> None:
        """Spans that touch these canonical addresses are absent from now on."""
        self._refused.append((address, address + length))

    def allow(self) -> None:
        """Take every :meth:`refuse` back."""
        self._refused.clear()

    def want(self, spans: Sequence[Span]) -> None:
        self.wants.append(list(spans))

    async def _open(self, guest: MemoryMap) -> Opened:
        self._check()
        self._flat = bytearray(guest.flat_size)
        for (address, _), data in self._pokes.items():
            try:
                self._write(guest, address, data)
            except ValueError as fault:
                raise SourceUnusable(str(fault), source=self.name) from fault
        self._guest = guest
        self.opened = True
        return Opened(guest if self._sizes is None else guest.truncated(dict(self._sizes)), guest)

    async def _close(self) -> None:
        self.opened = False
        self._changed.set()

    async def _wait(self) -> int | None:
        while True:
            self._check()
            if not self.opened:
                raise SourceLost("is closed", source=self.name)
            if self._frames:
                return self._frames.pop(0)
            self._changed.clear()
            await self._changed.wait()

    async def _fetch(self, spans: Sequence[Span]) -> list[bytes | None]:
        self._check()
        if not self.opened:
            raise SourceLost("is closed", source=self.name)
        self.batches.append(list(spans))
        return [self._span(span) for span in spans]

    def _span(self, span: Span) -> bytes | None:
        flat = self._guest.flat(span.address, span.length) if self._guest else None
        if flat is None:
            return None
        if any(span.address < end and start < span.end for start, end in self._refused):
            return None
        return reorder(bytes(self._flat[flat : flat + span.length]), self._byte_order)

    def _write(self, memory: MemoryMap, address: int, data: bytes) -> None:
        flat = memory.flat(address, len(data))
        if flat is None:
            raise ValueError(f"0x{address:08X}: {len(data)} bytes here are outside every region")
        self._flat[flat : flat + len(data)] = data

    def _check(self) -> None:
        if self._lost:
            raise SourceLost(self._lost, source=self.name)
