"""One frame of a bridge's source, for whoever reads once.

A sender, as of ``push`` and ``serial``, is told what is wanted only once its first frames are
there, so that comes late, pointer by pointer.  A frame is enough once all of it has come.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path

from adapters.file_opening import may_wait, open_stream
from adapters.recordings.topics import MAGIC
from adapters.sessions.followed_plan import make_plan_tracker
from adapters.sessions.setup import sampling_setup
from adapters.sources.catalogue import make_source
from bridge.heap.blocks import Heap
from bridge.ports.source import Consistency, Source
from bridge.prepared import PreparedBuild, with_heap
from bridge.readings.frame import Frame
from bridge.sampling.continuity import Continuity
from bridge.sampling.sampler import Sampler
from schemas.errors import LowhalfError, SourceEnded, SourceError, SourceLost, SourceUnusable
from schemas.loader import Bridge
from schemas.source_settings import (
    AnySource,
    DumpFormatName,
    FileSource,
    FolderSource,
    RecordingSource,
    TypedSource,
)
from schemas.system_words import HELD_WORDS, is_held, system_words
from schemas.toml_file import nearest

__all__ = [
    "Tell",
    "heap_of",
    "is_recording",
    "lacking",
    "may_be_recording",
    "take_frame",
    "take_heap",
    "with_dump",
]

_MAX_TOLD = 5

Tell = Callable[[str], object]
"""Takes a sentence for the user, such as what a source notes about what it found."""


def with_dump(
    bridge: Bridge, dump: Path | None, dump_format: DumpFormatName | None = None
) -> Bridge:
    """The bridge with its source replaced by a dump or a recording, where one is given.

    *dump_format* is None where the bridge file's word for it stands.  Raises SourceLost where there
    is no file that can be read.
    """
    if dump is None:
        return bridge
    named = bridge.file.source
    path = str(dump.absolute())
    source: AnySource
    recorded = is_recording(dump)
    if recorded and dump_format in (None, "auto"):
        source = RecordingSource(kind="recording", path=path, repeat=False)
    elif isinstance(named, FileSource):
        source = named.model_copy(update={"path": path})
    elif isinstance(named, FolderSource):
        source = FileSource(
            kind="file",
            path=path,
            byte_order=named.byte_order,
            format=named.format,
            region=named.region,
            offset=named.offset,
            max_size=named.max_size,
        )
    else:
        source = FileSource(kind="file", path=path, byte_order=named.byte_order)
    if dump_format is not None and isinstance(source, FileSource):
        source = source.model_copy(update={"format": dump_format})
    file = bridge.file.model_copy(update={"source": source})
    return Bridge(file, bridge.text, bridge.schema)


def is_recording(path: Path) -> bool:
    """Whether a file is a recording that can be opened.

    A raw dump may begin as one does; what is wrong with a damaged one, the source of dumps says.
    Raises SourceLost where there is no file that can be read.
    """
    if not may_be_recording(path):
        return False
    from adapters.recordings.reader import open_recording

    try:
        open_recording(path)
    except SourceError:
        return False
    return True


def may_be_recording(path: Path) -> bool:
    """Whether a file begins as one.  Raises SourceLost where there is no file that can be read."""
    try:
        if may_wait(path):
            return False
        with open_stream(path) as stream:
            return stream.read(len(MAGIC)) == MAGIC
    except ValueError:
        return False  # what names no file, the source of dumps says
    except OSError as fault:
        if is_held(fault):
            raise SourceLost(f"{path} {HELD_WORDS}", source=path.name) from fault
        why = (system_words(fault) or str(fault)).lower()
        raise SourceLost(f"{path} cannot be read: {why}", source=path.name) from fault


async def take_frame(
    bridge: Bridge,
    prepared_builds: Mapping[str, PreparedBuild],
    wait: float,
    number: int | None = None,
    *,
    tell: Tell,
) -> Frame:
    """The first frame with a known build in which all has come that was asked for.

    It is waited for at most *wait* seconds; *tell* is told of what has not come then
    (:func:`lacking`), and of what the source notes.  *number* is of a recording the frame that the
    game counts so, after all frames before it.  Raises SourceError and its leaves.
    """
    source = _source(bridge, prepared_builds, number)
    reason = "gave no frame"
    best: Frame | None = None
    least: int | None = None
    try:
        # a frame of a recording is not waited for: it is looked for
        async with asyncio.timeout(wait if number is None else None):
            setup = sampling_setup(bridge, prepared_builds)
            plan = make_plan_tracker(bridge, prepared_builds)
            sampler = await Sampler.open(source, setup, Continuity(setup.clock, plan=plan))
            while True:
                frame = await sampler.next()
                still = number is None and source.consistency is Consistency.STILL
                if sampler.prepared is not None and sampler.stats.frames:
                    best = frame
                    least = frame.number if least is None else min(least, frame.number)
                    if frame.number == number:
                        return frame
                    if number is None and (still or not lacking(frame)):
                        return frame
                reason = frame.note
                if still:
                    raise SourceUnusable(reason, source=source.name)
    except SourceEnded:
        if best is None:
            raise SourceUnusable(reason, source=source.name) from None
        if number is not None:
            raise SourceUnusable(
                f"has no frame {number}: it holds frames {least} to {best.number}",
                source=source.name,
            ) from None
        return best
    except SourceError as fault:
        if best is None or number is not None:
            raise
        tell(_unsent(best, f"{fault}; not all had come"))
        return best
    except TimeoutError:
        if best is None:
            raise SourceLost(f"{reason} within {wait:g} s", source=source.name) from None
        tell(_unsent(best, f"{source.name}: not all has come within {wait:g} s"))
        return best
    except asyncio.CancelledError:
        source.notes.clear()  # whoever has stopped it need not be told what it was doing
        raise
    finally:
        for note in source.notes:
            tell(f"{source.name}: {note}")
        await source.close()


async def take_heap(
    bridge: Bridge,
    prepared_builds: Mapping[str, PreparedBuild],
    wait: float,
    number: int | None = None,
    *,
    tell: Tell,
) -> tuple[Frame, Heap]:
    """The first frame with a known build that has the heap, and the heap in it.

    A sender may take a few frames to send all of it; what has come after *wait* seconds is given.
    Raises SourceError and its leaves, and SchemaError where the schema describes no heap.
    """
    asking = {name: with_heap(prepared) for name, prepared in prepared_builds.items()}
    frame = await take_frame(bridge, asking, wait, number, tell=tell)
    assert frame.heap is not None
    return frame, frame.heap


def heap_of(heap: Heap, name: str | None) -> Heap:
    """The heap of that name among a frame's; without a name the first, with all others.

    Raises LowhalfError where there is none.
    """
    if name is None:
        return heap
    found = heap.named(name) if name else None
    if found is None:
        known = [each.name for each in heap.all if each.name]
        hint = nearest(name, known) if known else "; the schema has only [heap]"
        raise LowhalfError(f"unknown heap {name}{hint}")
    return replace(found, others=())


def lacking(frame: Frame) -> list[str]:
    """What was asked for in a frame and has not been sent, as sentences; each once."""
    told = [reading.reason for reading in frame.readings if reading.awaited]
    for heap in () if frame.heap is None else frame.heap.all:
        if heap.awaited:
            named = f"the heap {heap.name}" if heap.name else "the heap"
            told.append(f"{named}: {heap.damaged}")
    return list(dict.fromkeys(told))


def _source(
    bridge: Bridge, prepared_builds: Mapping[str, PreparedBuild], number: int | None
) -> Source:
    named = bridge.file.source
    if isinstance(named, TypedSource):
        raise LowhalfError(
            f"{bridge.path}: its memory is typed by a person: use by-hand, or give a dump with "
            "--dump"
        )
    if number is None:
        return make_source(named, bridge.path.parent, prepared_builds)
    if not isinstance(named, RecordingSource):
        raise LowhalfError("--frame is for recordings: give one with --dump")
    from adapters.sources.recording.replay import RecordingReplay

    return RecordingReplay(bridge.path.parent / named.path)


def _unsent(frame: Frame, what: str) -> str:
    """The sentence that says what has not come."""
    told = lacking(frame)
    more = f"; and {len(told) - _MAX_TOLD} more" if len(told) > _MAX_TOLD else ""
    return f"{what}: {'; '.join(told[:_MAX_TOLD])}{more}"
