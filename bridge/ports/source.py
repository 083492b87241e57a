"""What the core asks of a source, and what it does for every source once.

An adapter implements the underscore methods: how to open, when the next frame is there, and the
bytes of a batch of spans.  The public methods here hold the policy: spans are checked against the
map before an adapter sees them, replies of a wrong length are refused, and bytes are turned to
guest order.  An adapter raises only :class:`~schemas.errors.SourceError` and its leaves.
"""

from __future__ import annotations

import abc
import contextlib
from collections.abc import AsyncIterator, Sequence
from enum import StrEnum
from typing import ClassVar

from bridge.memory.address_map import MemoryMap, Span
from bridge.memory.byte_order import ByteOrder
from bridge.memory.fetched import Part, reordered
from bridge.reporting.counted_lines import CountedLines
from bridge.values.status import Status
from schemas.errors import SourceError, SourceUnusable


class Consistency(StrEnum):
    """Why a frame can be taken for whole."""

    STILL = "still"
    GUARDED = "guarded"
    HALTED = "halted"
    SENDER = "sender"
    UNGUARDED = "unguarded"


class Torn(Exception):
    """No sample of a frame was whole, or this one was not; the message says why."""


class Source(abc.ABC):
    """Where RAM comes from.

    ``kind`` is the bridge file's word for it.  ``consistency`` is what the source itself vouches
    for; a source that vouches for nothing (``UNGUARDED``) is sampled with the guard.  ``paced`` is
    true where :meth:`wait` tells of each new frame; where it is false the sampler polls the frame
    counter, and where ``costly`` is true too, it looks no more often than it takes frames.
    ``order`` is set by the core once it is known.  ``absent`` is the status of a reading whose
    bytes the source does not hold, and ``absent_words`` the end of its reason.  ``opening_words``
    say what it waits for while it opens, where that takes its time.  ``memory`` is
    the map of what it holds and ``guest`` the map that it was opened for.  ``notes`` are sentences
    about what it found that the user should see once.  ``moment`` is when the frame at hand was, in
    seconds that only go forward, where the source itself knows (a recording does), else None;
    ``passes`` counts how often frames have begun anew, so that what comes does not follow.
    """

    kind: ClassVar[str]
    consistency: ClassVar[Consistency] = Consistency.UNGUARDED
    paced: ClassVar[bool] = False
    costly: ClassVar[bool] = False
    absent: ClassVar[Status] = Status.UNMAPPED
    absent_words: ClassVar[str] = "is not in what the source holds"
    opening_words: ClassVar[str] = "is not there yet"

    def __init__(self) -> None:
        self.order = ByteOrder.BIG
        self.memory: MemoryMap | None = None
        self.guest: MemoryMap | None = None
        self.notes: list[str] = []
        self._counted = CountedLines()
        self.moment: float | None = None
        self.passes = 0

    def note_recurring(self, kind: str, text: str) -> None:
        """Note what may come many times a second: the first of a kind, then a count a minute."""
        if words := self._counted.came(kind, text):
            self.notes.append(words)

    def take_notes(self) -> list[str]:
        """The notes that are new, and the counts that are to be told by now."""
        taken, self.notes[:] = list(self.notes), []
        return taken + self._counted.due()

    @property
    def paths(self) -> tuple[str, ...]:
        """Paths of this machine that its name and its messages may have; others see their names."""
        return ()

    @property
    def name(self) -> str:
        """Names this source in readings and messages, for example ``file dawn.bin.gz``."""
        return self.kind

    @property
    def declared_order(self) -> ByteOrder | None:
        """The byte order that the other side itself declares, where it does."""
        return None

    async def open(self, memory: MemoryMap) -> MemoryMap:
        """Open for the regions of *memory*; returns the map of what the source holds of them.

        Raises SourceUnusable where what is there can never serve, SourceLost where it is absent.
        """
        self.memory = self.guest = memory
        held = await self._open(memory)
        if not held.regions:
            raise SourceUnusable("holds no byte of any region", source=self.name)
        self.memory = held
        return held

    async def close(self) -> None:
        """Let go of everything; harmless when not open."""
        await self._close()

    async def wait(self) -> int | None:
        """Return when a new frame is there, with the sender's number of it where it has one.

        Only asked of a paced source.  Raises SourceLost.
        """
        return await self._wait()

    async def fetch(self, spans: Sequence[Span]) -> Sequence[Part]:
        """The bytes of each span in guest order; None for a span of which nothing is held.

        Spans are canonical, begin at a multiple of 8 bytes into a region and lie inside it.
        Raises SourceLost; raises SourceError for a span outside the map or a reply of the wrong
        length.
        """
        memory = self.memory
        if memory is None:
            raise SourceError("was asked for bytes before it was open", source=self.name)
        for span in spans:
            if memory.flat(span.address, span.length) is None:
                raise SourceError(
                    f"0x{span.address:08X} to 0x{span.end:08X} is outside every region",
                    source=self.name,
                    address=span.address,
                    length=span.length,
                )
        parts = await self._fetch(spans)
        if len(parts) != len(spans):
            raise SourceError(
                f"expected {len(spans)} replies, found {len(parts)}", source=self.name
            )
        for span, part in zip(spans, parts, strict=True):
            if part is not None and len(part) != span.length:
                raise SourceError(
                    f"0x{span.address:08X}: expected {span.length} bytes, found {len(part)}",
                    source=self.name,
                    address=span.address,
                    length=span.length,
                )
        order = self.order
        if order is ByteOrder.BIG:
            return parts
        return [reordered(part, order) for part in parts]

    @contextlib.asynccontextmanager
    async def held_still(self) -> AsyncIterator[None]:
        """While this lasts, a source that can stop its guest holds it; the sampler fetches all
        that belongs to one sample inside.  Raises SourceLost.  A fetch inside raises Torn where
        the guest could not be held for as long as that: the sample is taken again."""
        await self._hold()
        try:
            yield
        finally:
            await self._release()

    def know_counter(self, address: int, size: int) -> None:  # noqa: B027
        """The build is known: *size* bytes at *address* count the frames that have ended."""

    def want(self, spans: Sequence[Span]) -> None:  # noqa: B027 - most sources need no hint
        """The lines that the watches touch have changed: a source may pass this on."""

    @abc.abstractmethod
    async def _open(self, memory: MemoryMap) -> MemoryMap: ...

    @abc.abstractmethod
    async def _close(self) -> None: ...

    async def _hold(self) -> None:  # noqa: B027 - most sources cannot stop their guest
        """Stop the guest."""

    async def _release(self) -> None:  # noqa: B027
        """Let the guest go on."""

    async def _wait(self) -> int | None:
        raise NotImplementedError

    @abc.abstractmethod
    async def _fetch(self, spans: Sequence[Span]) -> Sequence[Part]: ...
