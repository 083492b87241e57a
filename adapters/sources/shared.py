"""Source ``shared``: a file or POSIX shared memory that holds a running guest's RAM.

It is read with pread and never mapped: a page of a mapping whose file was truncated kills the
process that touches it, whereas pread just returns fewer bytes.

The file may outlive its emulator.  Where a process is known to keep its memory there, its end is
the end of the source, until another process does or the file is written anew.
"""

from __future__ import annotations

import asyncio
import os
import stat
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import ClassVar

from adapters.file_opening import open_for_reading
from adapters.sources.dumps.placing import chosen_region
from adapters.sources.named_mapping import NamedMapping
from adapters.sources.process.file_holder import FileHolder, find_holder
from adapters.sources.surroundings import SourceSurroundings
from bridge.memory.address_map import MemoryMap, Region, Span
from bridge.ports.bulk_reader import BulkReader, OpenFile
from bridge.ports.source import Opened, Source
from schemas.errors import SourceLost, SourceUnusable
from schemas.source_settings import SharedSource
from schemas.system_words import HELD_WORDS, is_held, system_words
from schemas.windows_paths import openable

__all__ = ["LOOK_EVERY", "MAX_SEEKING", "SEEK_HOLDER", "SharedMemory", "read_at", "seek_and_read"]

LOOK_EVERY = 0.5
"""Seconds between two looks at whether the path still names the open file."""
SEEK_HOLDER = 1.0
MAX_SEEKING = 60.0
"""Seconds until a holder is sought again where none was found: twice as many each time."""


class SharedMemory(Source):
    """One region's bytes from an offset in a file on, as they stand at the moment of a read."""

    kind: ClassVar[str] = "shared"

    def __init__(
        self,
        settings: SharedSource,
        directory: Path,
        *,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        """*directory* is what the settings' path is relative to; *clock* counts seconds."""
        super().__init__()
        self.settings = settings
        self.path = directory / settings.path
        self._clock = clock
        self._file = -1
        self._identity = (0, 0)
        self._region: Region | None = None
        self._held = 0
        self._look_at = 0.0
        self._holder: FileHolder | None = None
        self._seeking: asyncio.Task[None] | None = None
        self._seek_at = self._seek_wait = 0.0
        self._left: tuple[int, ...] | None = None

    @classmethod
    def from_bridge(
        cls, settings: SharedSource, around: SourceSurroundings
    ) -> SharedMemory | NamedMapping:
        """The source of a bridge file's table: a file, or what Windows keeps under a name."""
        return NamedMapping(settings) if settings.mapping else cls(settings, around.directory)

    @property
    def paths(self) -> tuple[str, ...]:
        return (str(self.path),)

    @property
    def name(self) -> str:
        return f"shared {self.path.name}"

    @property
    def holder(self) -> int | None:
        """The process that keeps its memory in the file; None where none is known."""
        return None if self._holder is None else self._holder.pid

    async def _open(self, guest: MemoryMap) -> Opened:
        await self._close()
        settings = self.settings
        region = chosen_region(guest, settings.region, self.name)
        now = self._stat()
        if not stat.S_ISREG(now.st_mode):
            # opening a pipe would wait for its writer
            raise SourceUnusable(f"{self.path} is not a regular file", source=self.name)
        try:
            self._file = open_for_reading(self.path)
            now = os.fstat(self._file)
        except OSError as fault:
            await self._close()
            raise self._translated(fault) from fault
        held = now.st_size - settings.offset
        if held <= 0:
            await self._close()
            raise SourceLost(
                f"expected guest RAM at offset 0x{settings.offset:X}, found a file of "
                f"0x{now.st_size:X} bytes: is the emulator still starting?",
                source=self.name,
            )
        await self._check_left(now)
        self._identity = (now.st_dev, now.st_ino)
        self._region = region
        self._held = min(held, region.size)
        self._look_at = self._clock() + LOOK_EVERY
        self._seek_at, self._seek_wait = self._clock(), SEEK_HOLDER
        self._look_for_holder()
        return Opened(guest.truncated({region.name: self._held}), guest)

    async def _close(self) -> None:
        if self._seeking is not None:
            self._seeking.cancel()
            await asyncio.gather(self._seeking, return_exceptions=True)
            self._seeking = None
        self._holder = None
        if self._file >= 0:
            os.close(self._file)
            self._file = -1

    def bulk_reader(self) -> BulkReader | None:
        if self._file < 0 or self._region is None:
            return None
        span = Span(self._region.start, self._held)
        try:
            file = os.dup(self._file) if _preadv else open_for_reading(self.path)
            now = os.fstat(file)
        except OSError as fault:
            raise self._translated(fault) from fault
        if (now.st_dev, now.st_ino) != self._identity:
            os.close(file)
            raise SourceLost(f"{self.path} is another file now", source=self.name)
        return _FileReader(file, self.settings.offset, span, self.name)

    async def _fetch(self, spans: Sequence[Span]) -> list[bytes | None]:
        if self._file < 0:
            raise SourceLost("is closed", source=self.name)
        if self._clock() >= self._look_at:
            self._look()
        return [self._span(span) for span in spans]

    def _span(self, span: Span) -> bytes | None:
        region = self._region
        if region is None or not region.start <= span.address < region.end:
            return None
        offset = self.settings.offset + span.address - region.start
        try:
            data = read_at(self._file, span.length, offset)
        except OSError as fault:
            raise self._translated(fault) from fault
        if len(data) < span.length:
            raise SourceLost(
                f"{self.path} shrank: expected {span.length} bytes at offset 0x{offset:X}, "
                f"found {len(data)}",
                source=self.name,
                address=span.address,
                length=span.length,
            )
        return data

    def _look(self) -> None:
        """Whether the path still names the open file, and that still has the same use."""
        self._look_at = self._clock() + LOOK_EVERY
        try:
            now = self._stat()
        except SourceUnusable as fault:
            # what Windows says of a file that is removed, while somebody still has it open
            raise SourceLost(
                f"{self.path} may no longer be read: is it being removed?", source=self.name
            ) from fault
        if (now.st_dev, now.st_ino) != self._identity:
            raise SourceLost(
                f"{self.path} is another file now: the emulator was started again", source=self.name
            )
        held = now.st_size - self.settings.offset
        if held < self._held:
            raise SourceLost(
                f"{self.path} shrank: expected 0x{self._held:X} bytes from offset "
                f"0x{self.settings.offset:X} on, found 0x{max(0, held):X}",
                source=self.name,
            )
        if self._region is not None and self._held < min(held, self._region.size):
            raise SourceLost(f"{self.path} has grown: it is opened again", source=self.name)
        self._look_for_holder()

    # who keeps its memory there

    def _look_for_holder(self) -> None:
        holder, now = self._holder, self._clock()
        if holder is None:
            if self._seeking is None and now >= self._seek_at:
                self._seek_at, self._seek_wait = now + self._seek_wait, 2 * self._seek_wait
                self._seek_wait = min(self._seek_wait, MAX_SEEKING)
                self._seeking = asyncio.get_running_loop().create_task(self._seek())
            return
        if holder.ended:
            self._left = _state(os.fstat(self._file))
            raise SourceLost(
                f"process {holder.pid} ({holder.name}), which kept its memory in {self.path}, has "
                "ended",
                source=self.name,
            )

    async def _seek(self) -> None:
        self._holder = await asyncio.to_thread(find_holder, self.path, os.fstat(self._file))
        self._seeking = None

    async def _check_left(self, now: os.stat_result) -> None:
        """Refuse a file that its emulator has left behind and that nobody has touched since."""
        if self._left is None or self._left != _state(now):
            self._left = None
            return
        self._holder = await asyncio.to_thread(find_holder, self.path, now)
        if self._holder is None:
            await self._close()
            raise SourceLost(
                f"no process keeps its memory in {self.path} any more: is the emulator running?",
                source=self.name,
            )
        self._left = None

    def _stat(self) -> os.stat_result:
        try:
            found = openable(self.path).stat()
            if not found.st_ino:
                # on Windows Python asks the folder instead where it cannot open the file for itself
                file = open_for_reading(self.path)
                try:
                    return os.fstat(file)
                finally:
                    os.close(file)
            return found
        except OSError as fault:
            raise self._translated(fault) from fault
        except ValueError as fault:
            # a null character, or what names no file on Windows
            raise SourceUnusable(f"the path cannot be used ({fault})", source=self.name) from fault

    def _translated(self, error: OSError) -> SourceLost | SourceUnusable:
        if isinstance(error, FileNotFoundError):
            return SourceLost(
                f"{self.path} is not there: is the emulator running?", source=self.name
            )
        if is_held(error):
            return SourceLost(f"{self.path} {HELD_WORDS}", source=self.name)
        if isinstance(error, PermissionError):
            return SourceUnusable(
                f"{self.path} may not be read: check its permissions", source=self.name
            )
        return SourceLost(
            f"{self.path} cannot be read ({system_words(error) or error})", source=self.name
        )


class _FileReader(BulkReader):
    """Reads by calls: a mapping of a file that shrinks would end the program.

    What may end is a process of its own, which is handed the file.
    """

    def __init__(self, file: int, offset: int, span: Span, name: str) -> None:
        """*file* is this reader's own, and so, without preadv, is its position; *span* begins at
        *offset* in it."""
        self.spans = (span,)
        self._file = file
        self._delta = offset - span.address
        self._name = name

    @property
    def file(self) -> OpenFile | None:
        return OpenFile(self._file, self.spans[0].address + self._delta)

    def read_into(self, address: int, into: memoryview) -> None:
        try:
            count = _read_into_at(self._file, into, address + self._delta)
        except OSError as fault:
            raise SourceLost(
                f"cannot be read ({system_words(fault)})", source=self._name
            ) from fault
        if count < len(into):
            raise SourceLost("shrank", source=self._name, address=address, length=len(into))

    def close(self) -> None:
        if self._file >= 0:
            os.close(self._file)
            self._file = -1


def _state(file: os.stat_result) -> tuple[int, ...]:
    """What changes when a file is another one, or is written to by calls."""
    return file.st_dev, file.st_ino, file.st_size, file.st_mtime_ns


def seek_and_read(file: int, length: int, offset: int) -> bytes:
    """What pread does, where the system has none; not for a file shared between threads."""
    os.lseek(file, offset, os.SEEK_SET)
    return os.read(file, length)


def _seek_and_read_into(file: int, into: memoryview, offset: int) -> int:
    """What preadv does, where the system has none; not for a file shared between threads."""
    data = seek_and_read(file, len(into), offset)
    into[: len(data)] = data
    return len(data)


_preadv: Callable[[int, list[memoryview], int], int] | None = getattr(os, "preadv", None)


def _read_into_at(file: int, into: memoryview, offset: int) -> int:
    """How many bytes were read from *offset* on, fewer only at the file's end."""
    if _preadv is None:
        return _seek_and_read_into(file, into, offset)
    return _preadv(file, [into], offset)


read_at: Callable[[int, int, int], bytes] = os.pread if hasattr(os, "pread") else seek_and_read
"""``read_at(file, length, offset)``: one read, unbuffered; fewer bytes only at the file's end."""
