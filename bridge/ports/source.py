"""Port of a source: what the core asks of whatever guest RAM comes from.

An adapter implements the underscore methods: how to open, when the next frame is there, and the
bytes of a batch of spans.  It raises only :class:`~schemas.errors.SourceError` and its leaves.
Bounds, lengths and byte order are not its part: the core reads through a
:class:`~bridge.ports.guest_reader.GuestReader`.
"""

from __future__ import annotations

import abc
import asyncio
import contextlib
from collections.abc import AsyncIterator, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import ClassVar

from bridge.memory.address_map import MemoryMap, Span
from bridge.memory.byte_order import ByteOrder
from bridge.memory.fetched import Part
from bridge.ports.bulk_reader import BulkReader
from bridge.ports.changes import Changes
from bridge.reporting.counted_lines import CountedLines
from bridge.values.status import Status
from schemas.errors import SourceUnusable

__all__ = ["Cadence", "Consistency", "Opened", "Source", "Torn"]


class Consistency(StrEnum):
    """Why a frame can be taken for whole."""

    STILL = "still"
    GUARDED = "guarded"
    HALTED = "halted"
    SENDER = "sender"
    UNGUARDED = "unguarded"


class Cadence(StrEnum):
    """How a source's frames come, and so what the sampler does to have the next one."""

    ONCE = "once"
    """It stands still: one frame, and never another."""
    POLLED = "polled"
    """Nobody tells of a frame; memory may be looked at as often as is wanted."""
    SPARING = "sparing"
    """The same, but each look takes time from the guest: one for each frame that is taken."""
    ANNOUNCED = "announced"
    """:meth:`Source.wait` returns with each new frame."""
    TRAPPED = "trapped"
    """:meth:`Source.wait` returns where the guest stops at the end of a frame, and after a while
    without one, so that what is found then may be the frame of before."""

    @property
    def announced(self) -> bool:
        """Whether :meth:`Source.wait` is asked for the next frame."""
        return self in (Cadence.ANNOUNCED, Cadence.TRAPPED)

    @property
    def costly(self) -> bool:
        """Whether a look takes time from the guest, and may find the frame of before."""
        return self in (Cadence.SPARING, Cadence.TRAPPED)


class Torn(Exception):
    """No sample of a frame was whole, or this one was not; the message says why."""


@dataclass(frozen=True, slots=True)
class Opened:
    """What an open source holds of a guest's memory.

    ``memory`` is the map of what it holds and ``guest`` the map that it was opened for.
    ``absent_status`` is the status of a reading whose bytes it does not hold, and ``absent_words``
    the end of that reading's reason.
    """

    memory: MemoryMap
    guest: MemoryMap
    absent_status: Status = Status.UNMAPPED
    absent_words: str = "is not in what the source holds"


class Source(abc.ABC):
    """Where RAM comes from.

    ``kind`` is the bridge file's word for it.  ``opening_words`` say what it waits for while it
    opens, where that takes its time.  ``notes`` are sentences about what it found that the user
    should see once.  ``moment`` is when the frame at hand was, in seconds that only go forward,
    where the source itself knows (a recording does), else None; ``passes`` counts how often frames
    have begun anew, so that what comes does not follow.  ``written_at`` is when what it holds was
    written, in seconds since the Unix epoch, where no frame goes by the clock and that is known,
    else None.
    """

    kind: ClassVar[str]
    opening_words: ClassVar[str] = "is not there yet"

    def __init__(self) -> None:
        self.notes: list[str] = []
        self._counted = CountedLines(_loop_time)
        self.moment: float | None = None
        self.passes = 0
        self.written_at: float | None = None

    @property
    def cadence(self) -> Cadence:
        """How its frames come, as far as is known now: a debugger's stub learns it late."""
        return Cadence.POLLED

    @property
    def patient(self) -> bool:
        """Whether its next frame waits until all is done with the last, so that none is missed."""
        return False

    @property
    def counts_frames(self) -> bool:
        """Whether what lies between two of its frames can be counted at all; of memory that a
        person types nobody counts it."""
        return True

    @property
    def consistency(self) -> Consistency:
        """What the source itself vouches for, of the frame at hand.

        One that vouches for nothing (``UNGUARDED``) is sampled with the guard.
        """
        return Consistency.UNGUARDED

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

    async def open(self, guest: MemoryMap) -> Opened:
        """Open for the regions of *guest*; tells what of them is held.

        Raises SourceUnusable where what is there can never serve, SourceLost where it is absent.
        """
        opened = await self._open(guest)
        if not opened.memory.regions:
            raise SourceUnusable("holds no byte of any region", source=self.name)
        return opened

    async def close(self) -> None:
        """Let go of everything; harmless when not open."""
        await self._close()

    async def wait(self) -> int | None:
        """Return when a new frame is there, with the sender's number of it where it has one.

        Only asked where the cadence is ``announced``.  Raises SourceLost.
        """
        return await self._wait()

    async def fetch(self, spans: Sequence[Span]) -> Sequence[Part]:
        """The bytes of each span as the source holds them; None for one of which it holds nothing.

        Spans are canonical, begin at a multiple of 8 bytes into a region and lie inside one that
        is held: a ``GuestReader`` asks for no others.  Raises SourceLost, also when not open.
        """
        return await self._fetch(spans)

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

    def bulk_reader(self) -> BulkReader | None:
        """Reads all that is held, beside the sampler; None where that cannot be had.

        Asked of an open source, and closed before it.  Raises SourceLost.
        """
        return None

    def changes(self, *, everything: bool = False) -> Changes | None:
        """What of the frame at hand may be otherwise than when this was asked last; all that is
        held at first, and with *everything*.

        For a source whose memory stands in this process and changes in :meth:`wait` alone; None of
        any other.  Asked of an open source.  Raises SourceError.
        """
        return None

    def know_counter(self, address: int, size: int) -> None:  # noqa: B027
        """The build is known: *size* bytes at *address* count the frames that have ended."""

    def want(self, spans: Sequence[Span]) -> None:  # noqa: B027 - most sources need no hint
        """The lines that the watches touch have changed: a source may pass this on."""

    @abc.abstractmethod
    async def _open(self, guest: MemoryMap) -> Opened: ...

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


def _loop_time() -> float:
    """Seconds of the event loop in which the source is used."""
    return asyncio.get_running_loop().time()
