"""``file``: one dump, unpacked and decoded when it is opened."""

from __future__ import annotations

import asyncio
import stat
from collections.abc import Sequence
from pathlib import Path
from typing import ClassVar

from adapters.dumps.decoding import DumpFormat, decode, format_of
from adapters.dumps.wrapping import unwrap
from adapters.sources.held_bytes import HeldBytes
from adapters.sources.placing import Placed, chosen_region, place
from bridge.memory import MemoryMap, Span
from bridge.part import Part
from bridge.source import Consistency, Source
from schemas.errors import SourceError, SourceLost, SourceUnusable
from schemas.source_settings import FileSource


class FileDump(Source):
    """A dump that stands still.

    ``notes`` says, once it is open, what of the dump or of the regions is not used.
    """

    kind: ClassVar[str] = "file"
    opening_words: ClassVar[str] = "is being unpacked"
    consistency: ClassVar[Consistency] = Consistency.STILL

    def __init__(self, settings: FileSource, directory: Path) -> None:
        """*directory* is what the settings' path is relative to."""
        super().__init__()
        self.settings = settings
        self.path = directory / settings.path
        self._held: dict[str, HeldBytes] = {}

    @property
    def name(self) -> str:
        return f"file {self.path.name}"

    async def _open(self, memory: MemoryMap) -> MemoryMap:
        try:
            placed = await asyncio.to_thread(self._load, memory)
        except SourceError as error:
            raise type(error)(error.detail, source=self.name) from error
        self._held = placed.regions
        self.notes = placed.notes
        for region in memory.regions:
            held = placed.regions.get(region.name)
            if held is not None and held.size < region.size:
                self.notes.append(
                    f"holds the first 0x{held.size:X} of 0x{region.size:X} bytes of {region.name}"
                )
        return memory.truncated({name: held.size for name, held in placed.regions.items()})

    async def _close(self) -> None:
        self._held = {}

    async def _fetch(self, spans: Sequence[Span]) -> list[Part]:
        if not self._held:
            raise SourceLost("is closed", source=self.name)
        return [self._span(span) for span in spans]

    def _span(self, span: Span) -> Part:
        region = self.memory.region_at(span.address) if self.memory else None
        if region is None or region.name not in self._held:
            return None
        return self._held[region.name].read(span.address - region.start, span.length)

    def _load(self, memory: MemoryMap) -> Placed:
        data = self._read()
        settings = self.settings
        dump_format: DumpFormat = format_of(data) if settings.format == "auto" else settings.format
        if dump_format == "raw":
            return self._place_raw(data, memory)
        if settings.offset or settings.length is not None or settings.region:
            raise SourceUnusable(
                f"region, offset and length are for raw dumps, found {dump_format}: leave them "
                'out, or set format = "raw"'
            )
        segments = decode(data, dump_format, max_size=settings.max_size)
        placed = place(segments, memory)
        if not placed.regions:
            first = min(s.address for s in segments if s.address is not None)
            raise SourceUnusable(
                f"expected bytes inside {_ranges(memory)}, found {len(segments)} segments from "
                f"0x{first:08X} on, all outside: is this a dump of another machine?"
            )
        return placed

    def _read(self) -> bytes:
        path = self.path
        try:
            if not stat.S_ISREG(path.stat().st_mode):
                raise SourceUnusable(f"{path} is not a regular file: name the dump itself")
            with path.open("rb") as stream:
                return unwrap(stream, max_size=self.settings.max_size, member=self.settings.member)
        except FileNotFoundError as error:
            raise SourceLost(
                f"{path} is not there: is the path relative to the bridge file?"
            ) from error
        except PermissionError as error:
            raise SourceUnusable(f"{path} may not be read: check its permissions") from error
        except OSError as error:
            raise SourceLost(f"{path} cannot be read ({error.strerror or error})") from error
        except ValueError as error:
            # a null character in a path
            raise SourceUnusable(f"the path cannot be used ({error})") from error

    def _place_raw(self, data: bytes, memory: MemoryMap) -> Placed:
        settings = self.settings
        region = chosen_region(memory, settings.region)
        if region is None:
            known = ", ".join(r.name for r in memory.regions)
            raise SourceUnusable(f'expected one of the regions {known}, found "{settings.region}"')
        if settings.offset >= len(data):
            raise SourceUnusable(
                f"expected an image at offset 0x{settings.offset:X}, found only "
                f"0x{len(data):X} bytes"
            )
        image = memoryview(data)[settings.offset :]
        if settings.length is not None:
            if settings.length > len(image):
                raise SourceUnusable(
                    f"expected 0x{settings.length:X} bytes from offset 0x{settings.offset:X} on, "
                    f"found 0x{len(image):X}: the dump is cut off"
                )
            image = image[: settings.length]
            if not image:
                raise SourceUnusable("expected a length of 1 or more, found 0")
        notes = []
        if len(image) > region.size:
            notes.append(
                f"0x{len(image) - region.size:X} bytes behind the end of {region.name} are left out"
            )
            image = image[: region.size]
        held = HeldBytes(len(image))
        held.write(0, image)
        return Placed({region.name: held}, notes)


def _ranges(memory: MemoryMap) -> str:
    return ", ".join(f"{r.name} (0x{r.start:08X} to 0x{r.end:08X})" for r in memory.regions)
