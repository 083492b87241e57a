"""Source ``folder``: every new dump that lands in a folder, once it is complete.

What is in the folder is told by looking, so that network drives, which report no events, serve as
well; the system's events (watchfiles) only make it look sooner.
"""

from __future__ import annotations

import asyncio
import contextlib
import fnmatch
import os
import stat
import time
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import ClassVar

import watchfiles

from adapters.sources.dumps.file import FileDump
from adapters.sources.dumps.landing import Landed, Landing, Mark
from adapters.sources.surroundings import SourceSurroundings
from bridge.memory.address_map import MemoryMap, Span
from bridge.memory.fetched import Part
from bridge.ports.changes import Changes, Rest
from bridge.ports.source import Cadence, Consistency, Opened, Source
from schemas.compiler import BuildLayout
from schemas.errors import SourceError, SourceLost, SourceUnusable
from schemas.source_settings import FileSource, FolderSource
from schemas.system_words import HELD_WORDS, is_held, system_words
from schemas.windows_paths import openable

__all__ = ["LOOK_AT_MOST", "LOOK_EVERY", "LOOK_EVERY_UNTOLD", "MAX_TRIES", "DumpFolder"]

LOOK_EVERY = 1.0
"""Seconds between two looks where the system tells of changes."""
LOOK_EVERY_UNTOLD = 0.25
"""Seconds between two looks where it does not."""
LOOK_AT_MOST = 0.02
"""Seconds that pass at least between two looks, however many changes are told."""
MAX_TRIES = 5
"""Times that a dump is tried which cannot be read; more where Windows says that it is held."""
_MAX_NOTES = 20


@dataclass(frozen=True, slots=True)
class _Dump:
    """A dump that is open, and what it holds."""

    source: FileDump
    memory: MemoryMap


class DumpFolder(Source):
    """Dumps one after the other, each a frame, numbered from 1.

    Of the dumps that are there when it is opened only the newest is taken.  A damaged dump is told
    of in ``notes`` and passed over.
    """

    kind: ClassVar[str] = "folder"
    opening_words: ClassVar[str] = "waiting for a first dump"

    def __init__(
        self, settings: FolderSource, directory: Path, builds: Collection[BuildLayout] = ()
    ) -> None:
        """*directory* is what the settings' path is relative to; *builds* as of a ``FileDump``."""
        super().__init__()
        self.builds = builds
        self.settings = settings
        self.path = directory / settings.path
        self._landing = Landing(settings.settle)
        self._guest: MemoryMap | None = None
        self._first: MemoryMap | None = None
        self._dump: _Dump | None = None
        self._number = 0
        self._untaken = False
        self._lost = "is closed"
        self._identity = (0, 0)
        self._tries: dict[str, int] = {}
        self._said = ""
        self._looker: asyncio.Task[None] | None = None
        self._listener: asyncio.Task[None] | None = None
        self._stop = asyncio.Event()
        self._stirred = asyncio.Event()
        self._changed = asyncio.Event()

    @classmethod
    def from_bridge(cls, settings: FolderSource, around: SourceSurroundings) -> DumpFolder:
        """The source of a bridge file's table."""
        return cls(settings, around.directory, around.layouts)

    @property
    def paths(self) -> tuple[str, ...]:
        return (str(self.path),)

    @property
    def name(self) -> str:
        return f"folder {self.path.name}{self._dump.source.form if self._dump else ''}"

    @property
    def cadence(self) -> Cadence:
        return Cadence.ANNOUNCED

    @property
    def consistency(self) -> Consistency:
        return Consistency.STILL

    async def _open(self, guest: MemoryMap) -> Opened:
        await self._close()
        self._guest = guest
        self._landing = Landing(self.settings.settle)
        self._first = None
        self._number = 0
        self._tries = {}
        self._said = ""
        self.notes = []
        self._identity = await asyncio.to_thread(self._identify)
        self._lost = ""
        self._stop = asyncio.Event()
        self._stirred = asyncio.Event()
        try:
            await self._take_newest()
            self._listener = asyncio.create_task(self._listen(self._stop), name="folder events")
            self._looker = asyncio.create_task(self._look(), name="folder")
            while self._dump is None:
                self._dump = await self._next()
        except BaseException:
            await self._close()
            raise
        self._number = 1
        self._untaken = True
        self._first = self._dump.memory
        return Opened(self._first, guest)

    async def _close(self) -> None:
        self._lost = "is closed"
        self._stop.set()
        tasks = [task for task in (self._looker, self._listener) if task is not None]
        if self._looker is not None:
            self._looker.cancel()
        self._looker = self._listener = None
        if tasks:
            # the listener ends by its own event: its thread must not outlive it
            await asyncio.wait(tasks)
        self._dump = None
        self._untaken = False
        self._changed.set()

    async def _wait(self) -> int | None:
        if not self._untaken:
            dump = None
            while dump is None:
                dump = await self._next()
            self._dump = dump
            self._number += 1
        self._check()
        self._untaken = False
        return self._number

    async def _fetch(self, spans: Sequence[Span]) -> list[Part]:
        self._check()
        dump = self._dump
        if dump is None:
            raise SourceLost("holds no dump yet", source=self.name)
        held = dump.memory
        # a later dump may hold less than the first did
        inside = [span for span in spans if held.flat(span.address, span.length) is not None]
        parts = dict(zip(inside, await dump.source.fetch(inside), strict=True))
        return [parts.get(span) for span in spans]

    def changes(self, *, everything: bool = False) -> Changes:
        """All of the dump at hand; what an earlier one held besides is not there any more."""
        self._check()
        dump = self._dump
        return Changes([] if dump is None else dump.source.changes().parts, Rest.UNKNOWN)

    def _check(self) -> None:
        if self._lost:
            raise SourceLost(self._lost, source=self.name)

    # one dump after the other

    async def _next(self) -> _Dump | None:
        """Wait for a complete file and decode it; None where it is damaged."""
        while True:
            self._check()
            self._changed.clear()
            landed = self._landing.next()
            if landed is not None:
                return await self._load(landed)
            await self._changed.wait()

    async def _load(self, landed: Landed) -> _Dump | None:
        path = self.path / landed.name
        if await asyncio.to_thread(_mark, path) != landed.mark:
            # written anew or gone: where it is there, it is seen to settle again
            return None
        settings = self.settings
        dump = FileDump(
            FileSource(
                kind="file",
                path=landed.name,
                format=settings.format,
                region=settings.region,
                offset=settings.offset,
                max_size=settings.max_size,
            ),
            self.path,
            self.builds,
        )
        assert self._guest is not None
        try:
            opened = await dump.open(self._guest)
        except SourceError as fault:
            if self._may_try_again(landed.name, _root(fault)):
                self._landing.again(landed.name)
                self._stirred.set()
            else:
                self._note(f"{landed.name}: is passed over: {fault.detail}")
            return None
        if await asyncio.to_thread(_mark, path) != landed.mark:
            return None
        self._tries.pop(landed.name, None)
        for note in dump.notes:
            self._note_once(landed.name, note)
        if self._first is not None and _holds_more(opened.memory, self._first):
            self._note_once(
                landed.name, "holds more than the first dump did, which is not looked at"
            )
        return _Dump(dump, opened.memory)

    async def _take_newest(self) -> None:
        """Of the dumps that are there already, the newest that is complete and not damaged."""
        present = await asyncio.to_thread(self._files)
        if not present:
            return
        await asyncio.sleep(self.settings.settle)
        later = await asyncio.to_thread(self._files)
        standing = {name: mark for name, mark in present.items() if later.get(name) == mark}
        self._landing.know(standing)
        landed = sorted((Landed(mark.mtime, name, mark) for name, mark in standing.items()))
        for newest in reversed(landed):
            self._dump = await self._load(newest)
            if self._dump is not None:
                if len(landed) > 1:
                    self._note(
                        f"{len(landed)} dumps were there at the start: only the newest, "
                        f"{newest.name}, is taken",
                    )
                return

    def _may_try_again(self, name: str, fault: BaseException) -> bool:
        if is_held(fault):
            # Windows tells that it is still being written
            self._note_once(name, f"{HELD_WORDS}: it is waited for")
            return True
        self._tries[name] = self._tries.get(name, 0) + 1
        return isinstance(fault, OSError) and self._tries[name] < MAX_TRIES

    def _note(self, text: str) -> None:
        self.notes.append(text)
        del self.notes[:-_MAX_NOTES]

    def _note_once(self, name: str, text: str) -> None:
        """Say something of a dump; not again where the next dumps give the same occasion."""
        if self._said != text:
            self._said = text
            self._note(f"{name}: {text}")

    # what is in the folder

    async def _look(self) -> None:
        """Look for files until the folder is gone."""
        try:
            while True:
                self._stirred.clear()
                files = await asyncio.to_thread(self._files)
                now = time.monotonic()
                settles = self._landing.look(files, now)
                self._changed.set()
                told = self._listener is not None and not self._listener.done()
                pause = LOOK_EVERY if told else LOOK_EVERY_UNTOLD
                if settles is not None:
                    pause = min(pause, settles - now)
                await asyncio.sleep(LOOK_AT_MOST)
                with contextlib.suppress(TimeoutError):
                    async with asyncio.timeout(max(0.0, pause - LOOK_AT_MOST)):
                        await self._stirred.wait()
        except SourceError as fault:
            self._lost = fault.detail
            self._changed.set()

    async def _listen(self, stop: asyncio.Event) -> None:
        """Have the system tell of changes, where it can."""
        try:
            async for _ in watchfiles.awatch(
                openable(self.path),
                watch_filter=None,
                debounce=100,
                step=20,
                rust_timeout=1000,
                recursive=False,
                stop_event=stop,
            ):
                self._stirred.set()
        except (OSError, RuntimeError) as fault:
            self._note(
                f"the system tells of no changes ({fault}): looked at {1 / LOOK_EVERY_UNTOLD:g} "
                "times a second instead",
            )

    def _identify(self) -> tuple[int, int]:
        """Which folder this is.  Raises SourceLost and SourceUnusable."""
        path = self.path
        try:
            found = openable(path).stat()
        except FileNotFoundError as fault:
            raise SourceLost(
                f"{path} is not there: is the path relative to the bridge file?", source=self.name
            ) from fault
        except OSError as fault:
            raise SourceLost(
                f"{path} cannot be looked at ({system_words(fault) or fault})", source=self.name
            ) from fault
        except ValueError as fault:
            raise SourceUnusable(f"the path cannot be used ({fault})", source=self.name) from fault
        if not stat.S_ISDIR(found.st_mode):
            raise SourceUnusable(
                f'{path} is not a folder: name the folder, or use kind = "file"', source=self.name
            )
        return found.st_dev, found.st_ino

    def _files(self) -> dict[str, Mark]:
        """The dumps that are there, complete or not.  Raises SourceLost."""
        if self._identify() != self._identity:
            raise SourceLost(f"{self.path} was replaced by another folder", source=self.name)
        try:
            names = os.listdir(openable(self.path))  # noqa: PTH208 - names are all that is needed
        except OSError as fault:
            raise SourceLost(
                f"{self.path} cannot be looked at ({system_words(fault) or fault})",
                source=self.name,
            ) from fault
        files = {}
        for name in names:
            # as shells do: what begins with a dot is another program's half-written file
            if name.startswith(".") or not fnmatch.fnmatch(name, self.settings.pattern):
                continue
            mark = _mark(self.path / name)
            if mark is not None:
                files[name] = mark
        return files


def _mark(path: Path) -> Mark | None:
    """A regular file's mark; None for anything else."""
    try:
        found = openable(path).stat()
    except (OSError, ValueError):
        return None
    if not stat.S_ISREG(found.st_mode):
        return None
    return Mark(found.st_ino, found.st_size, found.st_mtime_ns)


def _holds_more(dump: MemoryMap, first: MemoryMap) -> bool:
    sizes = {region.name: region.size for region in first.regions}
    return any(region.size > sizes.get(region.name, 0) for region in dump.regions)


def _root(error: BaseException) -> BaseException:
    while error.__cause__ is not None:
        error = error.__cause__
    return error
