"""Source ``shared`` on Windows: a named file mapping that holds a running guest's RAM.

A view of it is made for reading only, and read by a call that fails where a page cannot be had,
whereas a touch would end lowhalf.

The name lasts as long as anybody has a handle of it; so lowhalf keeps none, only the view, and the
name goes with the emulator.  Twice a second the name is looked up: the view of then replaces the
one of before, since a new emulator may have given the name to another mapping.
"""

from __future__ import annotations

import errno
import time
from collections.abc import Callable, Sequence
from typing import ClassVar

from adapters.sources.dumps.placing import chosen_region
from adapters.sources.windows.kernel32 import Kernel32
from adapters.sources.windows.region_reader import RegionReader
from bridge.memory.address_map import MemoryMap, Region, Span
from bridge.ports.bulk_reader import BulkReader
from bridge.ports.source import Opened, Source
from schemas.errors import SourceError, SourceLost, SourceUnusable
from schemas.source_settings import SharedSource
from schemas.system_words import system_words

__all__ = ["LOOK_EVERY", "NamedMapping"]

LOOK_EVERY = 0.5
"""Seconds between two looks at what the name means."""
_GRANULARITY = 0x10000
"""A view begins at a multiple of so many bytes (SYSTEM_INFO's dwAllocationGranularity)."""


class NamedMapping(Source):
    """One region's bytes from an offset in a mapping on, as they stand at the moment of a read."""

    kind: ClassVar[str] = "shared"

    def __init__(
        self,
        settings: SharedSource,
        *,
        clock: Callable[[], float] = time.monotonic,
        kernel32: Kernel32 | None = None,
    ) -> None:
        """*clock* counts seconds; *kernel32* is that of the Windows that lowhalf runs on, unless
        another is given."""
        super().__init__()
        self.settings = settings
        self.clock = clock
        self._kernel32 = kernel32
        self._view = 0
        self._region: Region | None = None
        self._held = 0
        self._look_at = 0.0

    @property
    def name(self) -> str:
        return f"shared {self.settings.mapping}"

    async def _open(self, guest: MemoryMap) -> Opened:
        await self._close()
        region = chosen_region(guest, self.settings.region, self.name)
        self._view, held = self._new_view(self._calls())
        self._region = region
        self._held = min(held, region.size)
        self._look_at = self.clock() + LOOK_EVERY
        return Opened(guest.truncated({region.name: self._held}), guest)

    async def _close(self) -> None:
        if self._view and self._kernel32 is not None:
            self._kernel32.unmap_view(self._view)
        self._view = 0

    def bulk_reader(self) -> BulkReader | None:
        if not self._view or self._region is None:
            return None
        span = Span(self._region.start, self._held)
        return _MappingReader(self, self._calls(), span, self._region.size)

    async def _fetch(self, spans: Sequence[Span]) -> list[bytes | None]:
        if not self._view or self._region is None:
            raise SourceLost("is closed", source=self.name)
        kernel32, region = self._calls(), self._region
        if self.clock() >= self._look_at:
            self._look(kernel32, region)
        inside = [region.start <= span.address < region.end for span in spans]
        delta = self._view + self.into - region.start
        reader = RegionReader(kernel32, kernel32.this_process(), 0)
        ranges = [
            (span.address + delta, span.length)
            for span, is_inside in zip(spans, inside, strict=True)
            if is_inside
        ]
        known = iter(reader.read(ranges))
        return [next(known) if is_inside else None for is_inside in inside]

    def _calls(self) -> Kernel32:
        if self._kernel32 is None:
            from adapters.sources.windows.calls import Calls

            try:
                self._kernel32 = Calls()
            except OSError as fault:
                raise SourceUnusable(
                    "mapping names what Windows alone has; name a file by path", source=self.name
                ) from fault
        return self._kernel32

    def _look(self, kernel32: Kernel32, region: Region) -> None:
        """See what the name means now."""
        self._look_at = self.clock() + LOOK_EVERY
        view = self.view_of(kernel32, self._held, region.size)
        kernel32.unmap_view(self._view)
        self._view = view

    def view_of(self, kernel32: Kernel32, held: int, most: int) -> int:
        """A view of what the name means now, which must have *held* bytes, of at *most* so many."""
        view, there = self._new_view(kernel32)
        if min(there, most) != held:
            kernel32.unmap_view(view)
            raise SourceLost(
                f"{self.settings.mapping} is of another size now: it is opened again",
                source=self.name,
            )
        return view

    @property
    def into(self) -> int:
        """Where the offset is in a view."""
        return self.settings.offset % _GRANULARITY

    def _new_view(self, kernel32: Kernel32) -> tuple[int, int]:
        """A view from below the offset on, and how many bytes there are from the offset on."""
        offset, into = self.settings.offset, self.into
        try:
            mapping = kernel32.open_mapping(self.settings.mapping)
        except OSError as fault:
            raise self._translated(fault) from fault
        try:
            view = kernel32.map_view(mapping, offset - into)
        except OSError as fault:
            raise self._nothing_there() from fault
        finally:
            kernel32.close(mapping)
        held = self._seen(kernel32, view) - into
        if held <= 0:
            kernel32.unmap_view(view)
            raise self._nothing_there()
        return view, held

    def _seen(self, kernel32: Kernel32, view: int) -> int:
        """How many bytes of a view there are, in whole pages."""
        end = view
        process = kernel32.this_process()
        while (region := kernel32.query(process, end)) is not None:
            if region.allocation != view or not region.readable:
                break
            end = region.end
        return end - view

    def _nothing_there(self) -> SourceLost:
        return SourceLost(
            f"nothing is at offset 0x{self.settings.offset:X} of {self.settings.mapping}: is the "
            "emulator still starting?",
            source=self.name,
        )

    def _translated(self, error: OSError) -> SourceError:
        name = self.settings.mapping
        if isinstance(error, FileNotFoundError):
            return SourceLost(
                f"there is no file mapping {name}: is the emulator running?", source=self.name
            )
        if isinstance(error, PermissionError):
            return SourceUnusable(
                f"the file mapping {name} may not be read: run lowhalf and the emulator as the "
                "same user",
                source=self.name,
            )
        if error.errno in (errno.EBADF, errno.EINVAL):
            return SourceUnusable(f"{name} is not a file mapping", source=self.name)
        return SourceLost(
            f"the file mapping {name} cannot be opened ({system_words(error) or error})",
            source=self.name,
        )


class _MappingReader(BulkReader):
    """Reads through a view of its own, since the source's goes when it looks the name up."""

    def __init__(self, source: NamedMapping, kernel32: Kernel32, span: Span, size: int) -> None:
        self.spans = (span,)
        self._source = source
        self._kernel32 = kernel32
        self._size = size
        self._view = 0
        self._look()

    def read_into(self, address: int, into: memoryview) -> None:
        if self._source.clock() >= self._look_at:
            self._look()
        reader = RegionReader(self._kernel32, self._kernel32.this_process(), 0)
        place = self._view + self._source.into + address - self.spans[0].address
        if not reader.read_into(place, into):
            raise SourceLost("a page is gone", source=self._source.name, address=address)

    def close(self) -> None:
        if self._view:
            self._kernel32.unmap_view(self._view)
            self._view = 0

    def _look(self) -> None:
        self._look_at = self._source.clock() + LOOK_EVERY
        view = self._source.view_of(self._kernel32, self.spans[0].length, self._size)
        self.close()
        self._view = view
