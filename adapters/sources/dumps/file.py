"""Source ``file``: one dump, unpacked and decoded when it is opened."""

from __future__ import annotations

import asyncio
import functools
import stat
from collections.abc import Callable, Collection, Iterator, Sequence
from pathlib import Path
from typing import ClassVar

from adapters.dumps.decoding import FORMAT_WORDS, DumpFormat, decode, format_of
from adapters.dumps.wrapping import unwrap
from adapters.file_opening import open_stream
from adapters.recordings.topics import MAGIC
from adapters.sources.dumps.dump_forms import RAW, Chosen, Form, choose, is_recognised
from adapters.sources.dumps.placing import Placed, chosen_region, place
from adapters.sources.surroundings import SourceSurroundings
from bridge.memory.address_map import MemoryMap, Span
from bridge.memory.fetched import Part
from bridge.memory.held_bytes import HeldBytes
from bridge.ports.changes import Changes, Rest
from bridge.ports.source import Cadence, Consistency, Opened, Source
from schemas.compiler import BuildLayout
from schemas.errors import SourceError, SourceLost, SourceUnusable
from schemas.source_settings import FileSource
from schemas.system_words import HELD_WORDS, is_held, system_words
from schemas.windows_paths import openable

__all__ = ["FileDump"]


class FileDump(Source):
    """A dump that stands still.

    ``notes`` says, once it is open, what of the dump or of the regions is not used.
    """

    kind: ClassVar[str] = "file"
    opening_words: ClassVar[str] = "is being unpacked"

    def __init__(
        self, settings: FileSource, directory: Path, builds: Collection[BuildLayout] = ()
    ) -> None:
        """*directory* is what the settings' path is relative to.

        *builds* are those that the dump may be of: by their recognise bytes the format is told
        where the settings leave it open.
        """
        super().__init__()
        self.builds = builds
        self.form = ""
        """How the dump is read, where that is worth a word: not of a raw one that is recognised."""
        self.settings = settings
        self.path = directory / settings.path
        self._memory: MemoryMap | None = None
        self._held: dict[str, HeldBytes] = {}

    @classmethod
    def from_bridge(cls, settings: FileSource, around: SourceSurroundings) -> FileDump:
        """The source of a bridge file's table."""
        return cls(settings, around.directory, around.layouts)

    @property
    def paths(self) -> tuple[str, ...]:
        return (str(self.path),)

    @property
    def name(self) -> str:
        return f"file {self.path.name}{self.form}"

    @property
    def cadence(self) -> Cadence:
        return Cadence.ONCE

    @property
    def consistency(self) -> Consistency:
        return Consistency.STILL

    async def _open(self, guest: MemoryMap) -> Opened:
        self.form = ""
        try:
            chosen = await asyncio.to_thread(self._load, guest)
        except SourceError as fault:
            raise type(fault)(fault.detail, source=self.name) from fault
        placed = chosen.placed
        if chosen.words != RAW or chosen.recognised is False:
            self.form = f" ({chosen.words})"
        self._held = placed.regions
        self.notes = placed.notes
        for region in guest.regions:
            held = placed.regions.get(region.name)
            if held is not None and held.size < region.size:
                self.notes.append(
                    f"holds the first 0x{held.size:X} of 0x{region.size:X} bytes of {region.name}"
                )
        self._memory = guest.truncated({name: held.size for name, held in placed.regions.items()})
        return Opened(self._memory, guest)

    async def _close(self) -> None:
        self._held = {}

    async def _fetch(self, spans: Sequence[Span]) -> list[Part]:
        if not self._held:
            raise SourceLost("is closed", source=self.name)
        return [self._span(span) for span in spans]

    def changes(self, *, everything: bool = False) -> Changes:
        if self._memory is None or not self._held:
            raise SourceLost("is closed", source=self.name)
        spans = self._memory.whole()
        return Changes([(span, self._span(span)) for span in spans], Rest.SAME)

    def _span(self, span: Span) -> Part:
        region = self._memory.region_at(span.address) if self._memory else None
        if region is None or region.name not in self._held:
            return None
        return self._held[region.name].read(span.address - region.start, span.length)

    def _load(self, memory: MemoryMap) -> Chosen:
        settings = self.settings
        if settings.format != "auto":
            placed = self._place(self._read(), settings.format, memory)
            recognised = is_recognised(placed, memory, self.builds)
            return Chosen(FORMAT_WORDS[settings.format], placed, recognised)
        return choose(self._forms(memory), memory, self.builds)

    def _forms(self, memory: MemoryMap) -> Iterator[Form]:
        """What the dump may be, the likeliest first; each further one is read when it is asked for.

        Raises SourceLost, and SourceUnusable where there is no file that can be read.
        """
        taken: list[str] = []
        try:
            data = self._read(taken=taken)
        except SourceUnusable as fault:
            if not taken:
                raise
            yield Form(taken[0], functools.partial(_refuse, fault))
        else:
            found = format_of(data)
            if data.startswith(MAGIC):
                yield Form("a recording", functools.partial(self._refuse_recording, taken))
            elif found != "raw":
                yield Form(FORMAT_WORDS[found], functools.partial(self._place, data, found, memory))
            yield Form(RAW, functools.partial(self._place_raw, data, memory))
        for most in range(len(taken) - 1, -1, -1):
            words = f"{RAW} without unpacking {taken[len(taken) - most - 1]}"
            yield Form(words, self._raw_layer(most, memory))

    def _raw_layer(self, most: int, memory: MemoryMap) -> Callable[[], Placed]:
        """What is in *most* wrappings, as it stands."""
        return lambda: self._place_raw(self._read(most=most), memory)

    def _place(self, data: bytes, dump_format: DumpFormat, memory: MemoryMap) -> Placed:
        settings = self.settings
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
                f"{FORMAT_WORDS[dump_format]}: expected bytes inside {_ranges(memory)}, "
                f"found {len(segments)} segments from 0x{first:08X} on, all outside: "
                "is this a dump of another machine?"
            )
        return placed

    def _refuse_recording(self, taken: Sequence[str]) -> Placed:
        """Say what to do with a recording.  Raises SourceUnusable."""
        from adapters.recordings.reader import open_recording

        if taken:
            raise SourceUnusable(f"is a recording inside {' in '.join(taken)}: unpack it")
        try:
            open_recording(self.path)
        except SourceError as fault:
            raise SourceUnusable(fault.detail) from fault
        raise SourceUnusable('is a recording: set kind = "recording" in [source]')

    def _read(self, *, most: int | None = None, taken: list[str] | None = None) -> bytes:
        path, settings = self.path, self.settings
        try:
            state = openable(path).stat()
            # so that what is read of a dump is the same each time
            self.written_at = state.st_mtime
            if not stat.S_ISREG(state.st_mode):
                raise SourceUnusable(f"{path} is not a regular file: name the dump itself")
            with open_stream(path) as stream:
                return unwrap(
                    stream,
                    max_size=settings.max_size,
                    member=settings.member,
                    most=most,
                    taken=taken,
                )
        except FileNotFoundError as fault:
            raise SourceLost(
                f"{path} is not there: is the path relative to the bridge file?"
            ) from fault
        except PermissionError as fault:
            if is_held(fault):
                raise SourceLost(f"{path} {HELD_WORDS}") from fault
            raise SourceUnusable(f"{path} may not be read: check its permissions") from fault
        except OSError as fault:
            raise SourceLost(f"{path} cannot be read ({system_words(fault) or fault})") from fault
        except ValueError as fault:
            # a null character, or what names no file on Windows
            raise SourceUnusable(f"the path cannot be used ({fault})") from fault

    def _place_raw(self, data: bytes, memory: MemoryMap) -> Placed:
        settings = self.settings
        region = chosen_region(memory, settings.region)
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


def _refuse(error: SourceUnusable) -> Placed:
    raise error


def _ranges(memory: MemoryMap) -> str:
    return ", ".join(f"{r.name} (0x{r.start:08X} to 0x{r.end:08X})" for r in memory.regions)
