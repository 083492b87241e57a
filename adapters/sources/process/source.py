"""``process``: the memory of a running emulator, in which guest RAM is found by itself (Linux).

The process is found by name, by number, or as the one that lowhalf started.  It is remembered by
number and start: a number may be given to another program once its owner has ended.  The emulator
that is started again is searched again, since its RAM lies elsewhere then.
"""

from __future__ import annotations

import asyncio
import contextlib
import errno
import os
import sys
import threading
import time
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import ClassVar, TypeVar

from adapters.sources.dumps.placing import chosen_region
from adapters.sources.process import find_ram, process_maps
from adapters.sources.process.find_ram import Copy, Signature
from adapters.sources.process.process_memory import ProcessBytes
from adapters.sources.surroundings import SourceSurroundings
from bridge.memory.address_map import MemoryMap, Region, Span
from bridge.memory.byte_order import ByteOrder
from bridge.ports.source import Opened, Source
from bridge.prepared import PreparedBuild
from schemas.errors import SourceError, SourceLost, SourceUnusable
from schemas.source_settings import ProcessSource

LOOK_EVERY = 0.5
"""Seconds between two looks at whether the RAM is still where it was found."""
YOUNG = 10.0
"""Seconds for which a process counts as just started: its game may not run yet."""
STILL_FOR = 5.0
"""Seconds without a new frame after which another copy is looked for that has some."""
MAX_SEARCHING = 5
"""A search through large memory may take one part in this of the time until it succeeds."""

YAMA = Path("/proc/sys/kernel/yama/ptrace_scope")
_START_IT = "start the emulator with: lowhalf run BRIDGE.toml -- EMULATOR …"
T = TypeVar("T")
_ELSEWHERE = "is not on this system yet; use push, shared or debugger"


@dataclass(frozen=True, slots=True)
class _Found:
    """Guest RAM in a process: the process, where the RAM is, and how far it goes.

    ``signatures`` are what marks it there, and ``copy`` what the search found; both are empty
    where the address was given.
    """

    bytes: ProcessBytes
    start: int
    memory: MemoryMap
    region: Region
    address: int
    held: int
    signatures: tuple[Signature, ...] = ()
    copy: Copy | None = None


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
    ) -> None:
        """*prepared_builds* are the builds to search for; *clock* counts seconds."""
        super().__init__()
        self.settings = settings
        self.prepared_builds = dict(prepared_builds)
        self._clock = clock
        self._found: _Found | None = None
        self._life: process_maps.LifeLine | None = None
        self._order: ByteOrder | None = None
        self._owner: tuple[int, int] | None = None
        self._served = False
        self._look_at = 0.0
        self._search_large_at = 0.0
        self._frames: int | None = None
        self._seek_again_at = 0.0
        self._again: asyncio.Task[None] | None = None
        self._elsewhere: Copy | None = None
        self._found_in: set[str] = set()

    @classmethod
    def from_bridge(cls, settings: ProcessSource, around: SourceSurroundings) -> ProcessMemory:
        """The source of a bridge file's table."""
        return cls(settings, around.prepared_builds)

    @property
    def paths(self) -> tuple[str, ...]:
        return (self.settings.name, *self._found_in)

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
        if sys.platform != "linux":
            raise SourceUnusable(_ELSEWHERE, source=self.name)
        region = chosen_region(guest, self.settings.region)
        if region is None:
            known = ", ".join(each.name for each in guest.regions)
            raise SourceUnusable(
                f'expected one of the regions {known}, found "{self.settings.region}"',
                source=self.name,
            )
        found, order = await _in_thread(lambda aborted: self._seek(guest, region, aborted))
        pid = found.bytes.pid
        with self._translating(pid):
            self._life = process_maps.LifeLine(pid)
            self._same_process(pid, found.start)
        self._found, self._order = found, order
        self._served = True
        now = self._clock()
        self._look_at, self._seek_again_at = now + LOOK_EVERY, now + STILL_FOR
        return Opened(guest.truncated({region.name: found.held}), guest)

    async def _close(self) -> None:
        self._found = self._elsewhere = self._frames = None
        if self._life is not None:
            self._life.close()
            self._life = None
        if self._again is not None:
            self._again.cancel()
            await asyncio.gather(self._again, return_exceptions=True)
            self._again = None

    async def _fetch(self, spans: Sequence[Span]) -> list[bytes | None]:
        found = self._found
        if found is None:
            raise SourceLost("is closed", source=self.name)
        if self._elsewhere is not None:
            raise SourceLost(
                f"{found.region.name} has stood still at 0x{found.address:X}, and its frames go "
                f"on at {self._elsewhere.shown} in process {found.bytes.pid}",
                source=self.name,
            )
        # no span lies in two regions, and only one region is here
        inside = [found.region.start <= span.address < found.region.end for span in spans]
        delta = found.address - found.region.start
        try:
            parts = found.bytes.read(
                [
                    (span.address + delta, span.length)
                    for span, is_inside in zip(spans, inside, strict=True)
                    if is_inside
                ]
            )
            # looked at after the read: the number may have had a new owner by then
            if self._life is None or not self._life.holds:
                self._same_process(found.bytes.pid, found.start)
            if self._clock() >= self._look_at:
                self._look(found)
        except OSError as fault:
            raise self._translated(found.bytes.pid, fault) from fault
        if len(parts) == len(spans):
            return parts
        known = iter(parts)
        return [next(known) if is_inside else None for is_inside in inside]

    # whether all is as it was

    def _same_process(self, pid: int, start: int) -> None:
        now = _alive(pid)
        if now is None:
            raise SourceLost(f"process {pid} has ended", source=self.name)
        if now.start != start:
            raise SourceLost(
                f"process {pid} has ended; its number is another program's now ({now.name})",
                source=self.name,
            )

    def _look(self, found: _Found) -> None:
        """Whether the RAM still lies there: an emulator may give it back and take other memory."""
        self._look_at = self._clock() + LOOK_EVERY
        if found.signatures:
            there = any(
                found.bytes.read([(found.address + at, len(data)) for at, data in each.parts])
                == [data for _, data in each.parts]
                for each in found.signatures
            )
        else:
            there = found.bytes.read([(found.address, 1)]) != [None]
        if not there:
            raise SourceLost(
                f"{found.region.name} is no longer at 0x{found.address:X} in process "
                f"{found.bytes.pid}: it is searched for again",
                source=self.name,
            )
        self._look_for_another(found)

    def _look_for_another(self, found: _Found) -> None:
        """An emulator that starts its game again may leave the old RAM as it was."""
        copy = found.copy
        if copy is None:
            return
        now = self._clock()
        prepared = self.prepared_builds[copy.build]
        frames = find_ram.frames(copy, prepared, found.memory, found.region, found.bytes.read)
        if frames != self._frames:
            self._frames = frames
            self._seek_again_at = max(self._seek_again_at, now + STILL_FOR)
        elif frames is not None and now >= self._seek_again_at and self._again is None:
            self._again = asyncio.get_running_loop().create_task(self._seek_again(found))

    async def _seek_again(self, found: _Found) -> None:
        began = self._clock()
        reader = ProcessBytes(found.bytes.pid)  # the other one is in use meanwhile
        memory, region = found.memory, found.region
        live: list[Copy] = []
        # what is wrong with the process, the next read tells
        with contextlib.suppress(OSError, ValueError, find_ram.SearchAborted):
            _, live = await _in_thread(
                lambda aborted: self._search(
                    reader,
                    find_ram.signatures(self.prepared_builds, memory, region),
                    memory,
                    region,
                    aborted,
                )
            )
        if len(live) == 1 and live[0].address != found.address:
            self._elsewhere = live[0]
        now = self._clock()
        self._seek_again_at = now + max(STILL_FOR, (MAX_SEARCHING - 1) * (now - began))
        self._again = None

    # finding, in a thread of its own

    def _seek(
        self, memory: MemoryMap, region: Region, aborted: threading.Event
    ) -> tuple[_Found, ByteOrder | None]:
        pid, start = self._process()
        if self._owner != (pid, start):
            self._owner = (pid, start)
            self._search_large_at = 0.0
        reader = ProcessBytes(pid)
        with self._translating(pid):
            if self.settings.address is not None:
                return self._given(reader, start, memory, region, self.settings.address), None
            wanted = find_ram.signatures(self.prepared_builds, memory, region)
            if not wanted:
                raise SourceUnusable(
                    f"no build has recognise bytes in {region.name} to find it by; set address in "
                    "[source]",
                    source=self.name,
                )
            found, live = self._search(reader, wanted, memory, region, aborted)
            self._same_process(pid, start)
            copy = self._chosen(found, live, pid, start, wanted, region)
            marks = tuple(each for each in wanted if each.order is copy.order)
            address, size = copy.address, region.size
            return _Found(reader, start, memory, region, address, size, marks, copy), copy.order

    def _given(
        self, reader: ProcessBytes, start: int, memory: MemoryMap, region: Region, address: int
    ) -> _Found:
        held = _mapped(reader.pid, address, region.size)
        # what is mapped may still not be readable for us: then this says so
        if held <= 0 or reader.read([(address, 1)]) == [None]:
            raise SourceLost(
                f"nothing is at 0x{address:X} in process {reader.pid}: is the emulator still "
                "starting? Without address it is searched for",
                source=self.name,
            )
        return _Found(reader, start, memory, region, address, held)

    def _search(
        self,
        reader: ProcessBytes,
        wanted: Sequence[Signature],
        memory: MemoryMap,
        region: Region,
        aborted: threading.Event,
    ) -> tuple[list[Copy], list[Copy]]:
        """All copies of the RAM as far as it was searched, and those that live.

        Raises OSError, ValueError, SearchAborted.
        """
        pid, stop = reader.pid, aborted.is_set
        mappings = process_maps.read_maps(pid)
        near, larger = find_ram.areas(mappings, region.size)
        self._may_read(reader, mappings)

        def runs(low: int, high: int) -> Iterable[tuple[int, int]]:
            return _present(pid, low, high)

        found: list[Copy] = []
        live: list[Copy] = []
        for large, where in enumerate((near, larger)):
            if not where or (large and self._clock() < self._search_large_at):
                continue
            began = self._clock()
            found += find_ram.copies(where, wanted, region.size, reader.read, runs, stop)
            if large:
                now = self._clock()
                self._search_large_at = now + (MAX_SEARCHING - 1) * (now - began)
            if found:
                self._found_in.update(copy.area.path for copy in found if copy.area.path)
                live = find_ram.moving(
                    found, self.prepared_builds, memory, region, reader.read, stop
                )
            if live:
                break
        return found, live

    def _chosen(
        self,
        found: list[Copy],
        live: list[Copy],
        pid: int,
        start: int,
        wanted: Sequence[Signature],
        region: Region,
    ) -> Copy:
        young = _age(start) < YOUNG
        if not found:
            builds = ", ".join(dict.fromkeys(signature.build for signature in wanted))
            raise SourceLost(
                f"process {pid} holds the recognise bytes of no build ({builds}): does the game "
                "run?",
                source=self.name,
            )
        if len(live) == 1:
            self._tell_choice(live[0], found)
            return self._search_succeeded(live[0])
        counted = any(
            prepared.guard or prepared.frame for prepared in self.prepared_builds.values()
        )
        if not live and counted and young:
            # the program's own image is there before the game runs
            raise SourceLost(
                f"process {pid} has just started and its game counts no frames yet",
                source=self.name,
            )
        certain = [s for s in wanted if s.known >= find_ram.FEWEST_BYTES]
        if len(found) == 1 and any(s.build == found[0].build for s in certain):
            return self._search_succeeded(found[0])
        listed = "; ".join(copy.shown for copy in (live or found)[:8])
        more = len(live or found) - 8
        if more > 0:
            listed += f"; and {more} more"
        if live:
            why = "the frame counters of several move"
        elif counted:
            why = "no frame counter moves"
        else:
            why = "[sampling] frame would tell which one lives"
        count = len(live or found)
        what = "1 place" if count == 1 else f"{count} places"
        text = (
            f"process {pid} may hold {region.name} in {what}, and {why}: set address in [source] "
            f"to one of {listed}"
        )
        kind = SourceLost if self._served else SourceUnusable
        raise kind(text, source=self.name)

    def _search_succeeded(self, copy: Copy) -> Copy:
        self._search_large_at = 0.0
        return copy

    def _tell_choice(self, live: Copy, found: Sequence[Copy]) -> None:
        if len(found) > 1 and not self._served:
            self.notes.append(
                f"{len(found)} copies of the game's memory were found; the one whose frame "
                f"counter moves is at {live.shown}"
            )

    # which process

    def _process(self) -> tuple[int, int]:
        """The number and start of the process.  Raises SourceLost, SourceUnusable."""
        settings = self.settings
        if settings.pid is not None:
            return self._by_number(settings.pid)
        stats = {pid: stat for pid in process_maps.processes() if (stat := _alive(pid))}
        started = _descendants(stats, os.getpid())
        if settings.name:
            pids = [pid for pid, stat in stats.items() if _is_named(pid, stat, settings.name)]
            pids = [pid for pid in pids if pid != os.getpid()]
            own = [pid for pid in pids if pid in started]
            pids = own or pids
        else:
            # a script that starts the emulator has it as its child
            parents = {stat.parent for stat in stats.values()}
            pids = [pid for pid in started if pid not in parents]
            if not pids:
                raise SourceUnusable(
                    f"which process? set name or pid in [source], or {_START_IT}",
                    source=self.name,
                )
        if not pids:
            raise SourceLost(
                f"no process is named {settings.name}: is the emulator running?", source=self.name
            )
        if len(pids) > 1:
            listed = ", ".join(
                f"{pid} ({process_maps.first_argument(pid) or stats[pid].name})"
                for pid in sorted(pids)[:8]
            )
            what = f"are named {settings.name}" if settings.name else "were started here"
            kind = SourceLost if self._served else SourceUnusable
            raise kind(
                f"{len(pids)} processes {what}: set pid in [source] to one of {listed}",
                source=self.name,
            )
        return pids[0], stats[pids[0]].start

    def _by_number(self, pid: int) -> tuple[int, int]:
        stat = _alive(pid)
        if stat is None:
            raise SourceLost(
                f"there is no process {pid}: is the emulator running? With name instead of pid "
                "it is found again after a restart",
                source=self.name,
            )
        if self._owner is not None and self._owner[0] == pid and self._owner[1] != stat.start:
            raise SourceLost(
                f"process {pid} has ended; its number is another program's now ({stat.name}): "
                "set the new pid, or name",
                source=self.name,
            )
        return pid, stat.start

    # what the system refuses

    def _may_read(self, reader: ProcessBytes, mappings: Sequence[process_maps.Mapping]) -> None:
        """Raises PermissionError now rather than after the search has found nothing."""
        for each in mappings:
            if each.readable and each.path != "[vvar]":
                reader.read([(each.start, 1)])
                return

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
                return SourceUnusable(_ELSEWHERE, source=self.name)
        return SourceLost(
            f"process {pid} cannot be read ({error.strerror or error})", source=self.name
        )

    def _refused(self, pid: int) -> SourceError:
        """Why the system does not let us read, and what to do."""
        stat = _alive(pid)
        if stat is None:
            return SourceLost(f"process {pid} has ended", source=self.name)
        head = f"process {pid} ({stat.name}) may not be read"
        owner, own = _owner(pid), os.geteuid()
        if owner not in (None, own):
            return SourceUnusable(
                f"{head}: it belongs to user {owner}, and lowhalf runs as user {own}; run both as "
                "the same user",
                source=self.name,
            )
        if _owner(pid, "maps") not in (None, own):
            # the system gives the files of such a process to root
            return SourceUnusable(
                f"{head}: it has rights of its own (set-user-ID, set-group-ID or capabilities) or "
                "protects itself; take those from the emulator, or use push, shared or debugger",
                source=self.name,
            )
        scope = _yama()
        if scope == "1":
            return SourceUnusable(
                f"{head}: on this system (kernel.yama.ptrace_scope is 1) only a program that "
                f"started another one may read it; {_START_IT}",
                source=self.name,
            )
        if scope == "2":
            return SourceUnusable(
                f"{head}: on this system (kernel.yama.ptrace_scope is 2) only programs with "
                "CAP_SYS_PTRACE may; ask its administrator, or use push, shared or debugger",
                source=self.name,
            )
        if scope == "3":
            return SourceUnusable(
                f"{head}: on this system (kernel.yama.ptrace_scope is 3) no program may read "
                "another until it is started anew; use push, shared or debugger",
                source=self.name,
            )
        return SourceUnusable(
            f"{head}: the system forbids it, perhaps because one of the two runs in a container or "
            "sandbox; run both in the same one, or use push, shared or debugger",
            source=self.name,
        )


async def _in_thread(work: Callable[[threading.Event], T]) -> T:
    """Do *work* beside the event loop; the event is set once nobody waits for it any more.

    A thread cannot be cancelled: it looks at the event between two pieces.
    """
    aborted = threading.Event()
    try:
        return await asyncio.to_thread(work, aborted)
    finally:
        aborted.set()


def _alive(pid: int) -> process_maps.ProcessStat | None:
    try:
        stat = process_maps.read_stat(pid)
    except (OSError, ValueError):
        return None
    return None if stat is None or stat.ended else stat


def _is_named(pid: int, stat: process_maps.ProcessStat, name: str) -> bool:
    """Whether it is called so: by the system's name for it or by the program that was started."""
    if stat.name == name:
        return True
    argument = process_maps.first_argument(pid)
    # a program for Windows is started by its path there
    return bool(argument) and argument.replace("\\", "/").rsplit("/", 1)[-1] == name


def _descendants(stats: Mapping[int, process_maps.ProcessStat], root: int) -> set[int]:
    found: set[int] = set()
    new = {root}
    while new:
        new = {pid for pid, stat in stats.items() if stat.parent in new} - found
        found |= new
    return found


def _mapped(pid: int, address: int, size: int) -> int:
    """How many of *size* bytes from an address on are mapped without a gap.

    The last of them can be read; between them may be some that are guarded.
    """
    end = last = address
    for each in process_maps.read_maps(pid):
        if each.start <= end < each.end and (each.readable or last > address):
            end = each.end
            last = end if each.readable else last
    return min(last - address, size)


def _present(pid: int, low: int, high: int) -> Iterator[tuple[int, int]]:
    """What holds something; all of it where the system does not tell."""
    try:
        yield from process_maps.read_present_runs(pid, low, high)
    except PermissionError:
        yield low, high - low


def _age(start: int) -> float:
    """Seconds since a process began."""
    ticks = os.sysconf("SC_CLK_TCK")
    return process_maps.seconds_since_boot() - start / ticks


def _owner(pid: int, file: str = "") -> int | None:
    """The user to whom a process, or one of its files, belongs."""
    try:
        return (process_maps.PROC / str(pid) / file).stat().st_uid
    except OSError:
        return None


def _yama() -> str:
    try:
        return YAMA.read_text("utf-8").strip()
    except (OSError, ValueError):
        return ""
