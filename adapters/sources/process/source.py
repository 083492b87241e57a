"""Source ``process``: a running emulator's memory, in which guest RAM is found by itself.

Linux and Windows have a way there.  The process is found by name, by number, or as the one that
lowhalf started.  It is remembered by number and start: a number may be given to another program
once its owner has ended.  The emulator that is started again is searched again, since its RAM lies
elsewhere then.
"""

from __future__ import annotations

import asyncio
import contextlib
import errno
import threading
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import ClassVar, TypeVar

from adapters.sources.dumps.placing import chosen_region
from adapters.sources.process import find_ram
from adapters.sources.process.find_ram import Copy
from adapters.sources.process.mapping import ProcessStat
from adapters.sources.process.ram_search import MAX_SEARCHING, Found, RamSearch
from adapters.sources.process.system import LifeLine, Reader, System
from adapters.sources.process.this_system import no_way_in, this_system
from adapters.sources.process.which_process import WhichProcess
from adapters.sources.surroundings import SourceSurroundings
from bridge.memory.address_map import MemoryMap, Region, Span
from bridge.memory.byte_order import ByteOrder
from bridge.ports.bulk_reader import BulkReader
from bridge.ports.source import Opened, Source
from bridge.prepared import PreparedBuild
from schemas.errors import SourceError, SourceLost, SourceUnusable
from schemas.source_settings import ProcessSource
from schemas.system_words import system_words

__all__ = ["LOOK_EVERY", "STILL_FOR", "ProcessMemory"]

LOOK_EVERY = 0.5
"""Seconds between two looks at whether the RAM is still where it was found."""
STILL_FOR = 5.0
"""Seconds without a new frame after which another copy is looked for that has some."""

T = TypeVar("T")


class ProcessMemory(Source):
    """One region's bytes in another process, as they stand at the moment of a read."""

    kind: ClassVar[str] = "process"
    opening_words: ClassVar[str] = "searching for the game"

    def __init__(
        self,
        settings: ProcessSource,
        prepared_builds: Mapping[str, PreparedBuild],
        *,
        clock: Callable[[], float] = time.monotonic,
        system: System | None = None,
    ) -> None:
        """*prepared_builds* are the builds to search for; *clock* counts seconds.

        *system* is the one that lowhalf runs on, unless another is given.
        """
        super().__init__()
        self.settings = settings
        self.prepared_builds = dict(prepared_builds)
        self._clock = clock
        self._found: Found | None = None
        self._life: LifeLine | None = None
        self._order: ByteOrder | None = None
        self._owner: tuple[int, ProcessStat] | None = None
        self._look_at = 0.0
        self._frames: int | None = None
        self._seek_again_at = 0.0
        self._again: asyncio.Task[None] | None = None
        self._elsewhere: Copy | None = None
        self._system = this_system() if system is None else system
        if self._system is not None:
            self._which = WhichProcess(settings, self._system, self.name)
            self._search = RamSearch(self._system, self.prepared_builds, self.name, clock)

    @classmethod
    def from_bridge(cls, settings: ProcessSource, around: SourceSurroundings) -> ProcessMemory:
        """The source of a bridge file's table."""
        return cls(settings, around.prepared_builds)

    @property
    def paths(self) -> tuple[str, ...]:
        found_in = () if self._system is None else tuple(self._search.files)
        return (self.settings.name, *found_in)

    @property
    def name(self) -> str:
        settings = self.settings
        return f"process {settings.name or settings.pid or 'started here'}"

    @property
    def declared_order(self) -> ByteOrder | None:
        """The byte order in which the recognise bytes were found; None where none were sought."""
        return self._order

    @property
    def address(self) -> int | None:
        """Where the region begins in the process; None while it is not found."""
        return None if self._found is None else self._found.address

    async def _open(self, guest: MemoryMap) -> Opened:
        await self._close()
        if self._system is None:
            raise SourceUnusable(no_way_in(), source=self.name)
        region = chosen_region(guest, self.settings.region, self.name)
        found = await _in_thread(lambda aborted: self._seek(guest, region, aborted))
        with self._translating(found.pid):
            self._life = self._system.life_line(found.pid)
            self._same_process(found.pid, found.process)
        self._found, self._order = found, found.order
        self._which.served = self._search.served = True
        now = self._clock()
        self._look_at, self._seek_again_at = now + LOOK_EVERY, now + STILL_FOR
        return Opened(guest.truncated({region.name: found.held}), guest)

    async def _close(self) -> None:
        if self._found is not None:
            self._found.reader.close()
        self._found = self._elsewhere = self._frames = None
        if self._life is not None:
            self._life.close()
            self._life = None
        if self._again is not None:
            self._again.cancel()
            await asyncio.gather(self._again, return_exceptions=True)
            self._again = None

    def bulk_reader(self) -> BulkReader | None:
        found = self._found
        if found is None or self._system is None:
            return None
        with self._translating(found.pid):
            reader = self._system.reader(found.pid)
        return _RegionReader(reader, found, self.name)

    async def _fetch(self, spans: Sequence[Span]) -> list[bytes | None]:
        found = self._found
        if found is None:
            raise SourceLost("is closed", source=self.name)
        if self._elsewhere is not None:
            raise SourceLost(
                f"{found.region.name} has stood still at 0x{found.address:X}, and its frames go "
                f"on at {self._elsewhere.shown} in process {found.pid}",
                source=self.name,
            )
        # no span lies in two regions, and only one region is here
        inside = [found.region.start <= span.address < found.region.end for span in spans]
        delta = found.address - found.region.start
        try:
            parts = found.reader.read(
                [
                    (span.address + delta, span.length)
                    for span, is_inside in zip(spans, inside, strict=True)
                    if is_inside
                ]
            )
            # looked at after the read: the number may have had a new owner by then
            if self._life is None or not self._life.holds:
                self._same_process(found.pid, found.process)
            if self._clock() >= self._look_at:
                self._look(found)
        except OSError as fault:
            raise self._translated(found.pid, fault) from fault
        if len(parts) == len(spans):
            return parts
        known = iter(parts)
        return [next(known) if is_inside else None for is_inside in inside]

    # finding, in a thread of its own

    def _seek(self, memory: MemoryMap, region: Region, aborted: threading.Event) -> Found:
        pid, process = self._which.find(self._owner)
        if self._owner is None or (self._owner[0], self._owner[1].start) != (pid, process.start):
            self._search.begin()
        self._owner = pid, process
        try:
            with self._translating(pid):
                if self.settings.address is not None:
                    return self._search.given(pid, process, memory, region, self.settings.address)
                return self._search.search(
                    *(pid, process, memory, region, aborted),
                    lambda: self._same_process(pid, process),
                )
        finally:
            self.notes += self._search.notes
            self._search.notes.clear()

    async def _seek_again(self, found: Found) -> None:
        began = self._clock()
        live: list[Copy] = []
        # what is wrong with the process, the next read tells
        with contextlib.suppress(OSError, ValueError, find_ram.SearchAborted):
            live = await _in_thread(
                lambda aborted: self._search.living(found.pid, found.memory, found.region, aborted)
            )
        if len(live) == 1 and live[0].address != found.address:
            self._elsewhere = live[0]
        now = self._clock()
        self._seek_again_at = now + max(STILL_FOR, (MAX_SEARCHING - 1) * (now - began))
        self._again = None

    # whether all is as it was

    def _same_process(self, pid: int, process: ProcessStat) -> None:
        assert self._system is not None
        now = self._system.alive(pid)
        if now is None:
            raise SourceLost(f"process {pid} has ended", source=self.name)
        if now.start != process.start:
            raise SourceLost(
                f"process {pid} has ended; its number is another program's now ({now.name})",
                source=self.name,
            )

    def _look(self, found: Found) -> None:
        """Whether the RAM still lies there: an emulator may give it back and take other memory."""
        self._look_at = self._clock() + LOOK_EVERY
        if found.signatures:
            there = any(
                found.reader.read([(found.address + at, len(data)) for at, data in each.parts])
                == [data for _, data in each.parts]
                for each in found.signatures
            )
        else:
            there = found.reader.read([(found.address, 1)]) != [None]
        if not there:
            raise SourceLost(
                f"{found.region.name} is no longer at 0x{found.address:X} in process "
                f"{found.pid}: it is searched for again",
                source=self.name,
            )
        self._look_for_another(found)

    def _look_for_another(self, found: Found) -> None:
        """An emulator that starts its game again may leave the old RAM as it was."""
        copy = found.copy
        if copy is None:
            return
        now = self._clock()
        prepared = self.prepared_builds[copy.build]
        frames = find_ram.frames(copy, prepared, found.memory, found.region, found.reader.read)
        if frames != self._frames:
            self._frames = frames
            self._seek_again_at = max(self._seek_again_at, now + STILL_FOR)
        elif frames is not None and now >= self._seek_again_at and self._again is None:
            self._again = asyncio.get_running_loop().create_task(self._seek_again(found))

    # what the system refuses

    @contextlib.contextmanager
    def _translating(self, pid: int) -> Iterator[None]:
        try:
            yield
        except find_ram.SearchAborted as fault:
            raise SourceLost("the search was given up", source=self.name) from fault
        except OSError as fault:
            raise self._translated(pid, fault) from fault
        except ValueError as fault:
            raise SourceUnusable(f"process {pid}: {fault}", source=self.name) from fault

    def _translated(self, pid: int, error: OSError) -> SourceError:
        match error:
            case FileNotFoundError() | ProcessLookupError():
                return SourceLost(f"process {pid} has ended", source=self.name)
            case PermissionError():
                return self._refused(pid)
            case OSError(errno=errno.ENOSYS):
                return SourceUnusable(no_way_in(), source=self.name)
        return SourceLost(
            f"process {pid} cannot be read ({system_words(error) or error})", source=self.name
        )

    def _refused(self, pid: int) -> SourceError:
        """Why the system does not let us read, and what to do."""
        assert self._system is not None
        process = self._system.alive(pid)
        if process is None:
            return SourceLost(f"process {pid} has ended", source=self.name)
        why = self._system.why_refused(pid)
        return SourceUnusable(
            f"process {pid} ({process.name}) may not be read: {why}", source=self.name
        )


class _RegionReader(BulkReader):
    """Reads the region that was found, by a reader of its own."""

    def __init__(self, reader: Reader, found: Found, name: str) -> None:
        self.spans = (Span(found.region.start, found.held),)
        self._reader = reader
        self._delta = found.address - found.region.start
        self._name = name

    def read_into(self, address: int, into: memoryview) -> None:
        try:
            there = self._reader.read_into(address + self._delta, into)
        except OSError as fault:
            raise SourceLost(
                f"cannot be read ({system_words(fault)})", source=self._name
            ) from fault
        if not there:
            raise SourceLost("a page is gone", source=self._name, address=address)

    def close(self) -> None:
        self._reader.close()


async def _in_thread(work: Callable[[threading.Event], T]) -> T:
    """Do *work* beside the event loop; the event is set once nobody waits for it any more.

    A thread cannot be cancelled: it looks at the event between two pieces.
    """
    aborted = threading.Event()
    try:
        return await asyncio.to_thread(work, aborted)
    finally:
        aborted.set()
