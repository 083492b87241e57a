"""Search for guest RAM in one process, and the choice where there are several copies of it.

What is mapped and what it holds, the system tells; what guest RAM looks like, ``find_ram`` knows.
"""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from adapters.sources.process import find_ram
from adapters.sources.process.find_ram import Copy, Signature
from adapters.sources.process.mapping import Mapping as MappedRange
from adapters.sources.process.mapping import ProcessStat
from adapters.sources.process.mirrored_views import without_mirrors
from adapters.sources.process.system import Reader, System
from bridge.memory.address_map import MemoryMap, Region
from bridge.memory.byte_order import ByteOrder
from bridge.prepared import PreparedBuild
from schemas.errors import SourceLost, SourceUnusable

__all__ = ["MAX_LISTED", "MAX_SEARCHING", "YOUNG", "Found", "RamSearch"]

YOUNG = 10.0
"""Seconds for which a process counts as just started: its game may not run yet."""
MAX_SEARCHING = 5
"""A search through large memory may take one part in this of the time until it succeeds."""
MAX_LISTED = 8


@dataclass(frozen=True, slots=True)
class Found:
    """Guest RAM in a process: the process, where the RAM is, and how far it goes.

    ``signatures`` are what marks it there, and ``copy`` what the search found; both are empty
    where the address was given.
    """

    reader: Reader
    process: ProcessStat
    memory: MemoryMap
    region: Region
    address: int
    held: int
    signatures: tuple[Signature, ...] = ()
    copy: Copy | None = None

    @property
    def pid(self) -> int:
        return self.reader.pid

    @property
    def order(self) -> ByteOrder | None:
        """The byte order in which the recognise bytes were found; None where none were sought."""
        return None if self.copy is None else self.copy.order


class RamSearch:
    """Searches one process after the other, as a source finds them.

    ``served`` is whether RAM has been found before: then what is unclear now may clear up.
    ``files`` are those in which copies were found, and ``notes`` what there is to say.  Methods
    run in a thread, and raise SearchAborted soon after *aborted* is set, and OSError and ValueError
    as the system does.
    """

    def __init__(
        self,
        system: System,
        prepared_builds: Mapping[str, PreparedBuild],
        source: str,
        clock: Callable[[], float],
    ) -> None:
        """*source* names the source in faults."""
        self.served = False
        self.files: set[str] = set()
        self.notes: list[str] = []
        self._system = system
        self._builds = prepared_builds
        self._source = source
        self._clock = clock
        self._large_at = 0.0

    def begin(self) -> None:
        """Another process is searched from now on."""
        self._large_at = 0.0

    def given(
        self, pid: int, process: ProcessStat, memory: MemoryMap, region: Region, address: int
    ) -> Found:
        """The RAM at an address that the settings name.  Raises SourceLost."""
        reader = self._system.reader(pid)
        held = self._system.mapped(pid, address, region.size)
        # what is mapped may still not be readable for us: then this says so
        if held <= 0 or reader.read([(address, 1)]) == [None]:
            raise SourceLost(
                f"nothing is at 0x{address:X} in process {pid}: is the emulator still "
                "starting? Without address it is searched for",
                source=self._source,
            )
        return Found(reader, process, memory, region, address, held)

    def search(
        self,
        pid: int,
        process: ProcessStat,
        memory: MemoryMap,
        region: Region,
        aborted: threading.Event,
        check: Callable[[], None],
    ) -> Found:
        """The one copy of the RAM that lives.

        *check* is called once the copies are known.  Raises SourceLost, SourceUnusable.
        """
        wanted = find_ram.signatures(self._builds, memory, region)
        if not wanted:
            raise SourceUnusable(
                f"no build has recognise bytes in {region.name} to find it by; set address in "
                "[source]",
                source=self._source,
            )
        reader = self._system.reader(pid)
        found, live = self._copies(reader, wanted, memory, region, aborted)
        check()
        copy = self._chosen(found, live, pid, process, wanted, region)
        marks = tuple(each for each in wanted if each.order is copy.order)
        self._large_at = 0.0
        return Found(reader, process, memory, region, copy.address, region.size, marks, copy)

    def living(
        self, pid: int, memory: MemoryMap, region: Region, aborted: threading.Event
    ) -> list[Copy]:
        """The copies of the RAM that live."""
        wanted = find_ram.signatures(self._builds, memory, region)
        with contextlib.closing(self._system.reader(pid)) as reader:  # the other one is in use
            return self._copies(reader, wanted, memory, region, aborted)[1]

    def _copies(
        self,
        reader: Reader,
        wanted: Sequence[Signature],
        memory: MemoryMap,
        region: Region,
        aborted: threading.Event,
    ) -> tuple[list[Copy], list[Copy]]:
        """All copies of the RAM as far as it was searched, and those that live."""
        pid, stop, system = reader.pid, aborted.is_set, self._system
        mappings = system.mappings(pid)
        near, larger = find_ram.areas(mappings, region.size)
        _may_read(reader, mappings)
        found: list[Copy] = []
        live: list[Copy] = []
        for large, where in enumerate((near, larger)):
            if not where or (large and self._clock() < self._large_at):
                continue
            began = self._clock()
            found += find_ram.copies(
                *(where, wanted, region.size, reader.read),
                lambda low, high: system.present(pid, low, high),
                stop,
            )
            if large:
                now = self._clock()
                self._large_at = now + (MAX_SEARCHING - 1) * (now - began)
            if found:
                self.files.update(copy.area.path for copy in found if copy.area.path)
                live = find_ram.moving(found, self._builds, memory, region, reader.read, stop)
                if len(live) > 1 and not system.tells_mirrors:
                    live = without_mirrors(live, self._builds, memory, region, reader.read)
            if live:
                break
        return found, live

    def _chosen(
        self,
        found: list[Copy],
        live: list[Copy],
        pid: int,
        process: ProcessStat,
        wanted: Sequence[Signature],
        region: Region,
    ) -> Copy:
        young = self._system.age(process) < YOUNG
        if not found:
            builds = ", ".join(dict.fromkeys(signature.build for signature in wanted))
            raise SourceLost(
                f"process {pid} holds the recognise bytes of no build ({builds}): does the game "
                "run?",
                source=self._source,
            )
        if len(live) == 1:
            self._tell_choice(live[0], found)
            return live[0]
        counted = any(prepared.guard or prepared.frame for prepared in self._builds.values())
        if not live and counted and young:
            # the program's own image is there before the game runs
            raise SourceLost(
                f"process {pid} has just started and its game counts no frames yet",
                source=self._source,
            )
        certain = [s for s in wanted if s.known >= find_ram.FEWEST_BYTES]
        if len(found) == 1 and any(s.build == found[0].build for s in certain):
            return found[0]
        count = len(live or found)
        listed = "; ".join(copy.shown for copy in (live or found)[:MAX_LISTED])
        if count > MAX_LISTED:
            listed += f"; and {count - MAX_LISTED} more"
        if live:
            why = "the frame counters of several move"
        elif counted:
            why = "no frame counter moves"
        else:
            why = "[sampling] frame would tell which one lives"
        what = "1 place" if count == 1 else f"{count} places"
        text = (
            f"process {pid} may hold {region.name} in {what}, and {why}: set address in [source] "
            f"to one of {listed}"
        )
        kind = SourceLost if self.served else SourceUnusable
        raise kind(text, source=self._source)

    def _tell_choice(self, live: Copy, found: Sequence[Copy]) -> None:
        if len(found) > 1 and not self.served:
            self.notes.append(
                f"{len(found)} copies of the game's memory were found; the one whose frame "
                f"counter moves is at {live.shown}"
            )


def _may_read(reader: Reader, mappings: Sequence[MappedRange]) -> None:
    """Raises PermissionError now rather than after the search has found nothing."""
    for each in mappings:
        if each.readable and each.path != "[vvar]":
            reader.read([(each.start, 1)])
            return
