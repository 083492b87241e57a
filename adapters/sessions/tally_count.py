"""What a bridge file's tallies counted: as it was kept, or again from recordings and dumps.

In a recording every frame is evaluated, so a moment is what it is in a live game: the frame in
which the condition became true.  Frames that the recording lacks were missed here as well.  A dump
is a single frame, of which nobody knows what was before: it is one moment where the condition is
true in it.
"""

from __future__ import annotations

import asyncio
from collections import Counter
from collections.abc import Awaitable, Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from adapters.json_forms.tallies import Counted, Counts, kept_tallies, with_unseen
from adapters.practice_log.database import TallyCount
from adapters.sessions.following import every_frame
from adapters.sessions.one_frame import Tell, is_recording, take_frame, with_dump
from adapters.sessions.setup import sampling_setup
from bridge.ports.practice_log import PracticeLog
from bridge.ports.source import Source
from bridge.practice.attempts import Attempt
from bridge.prepared import PreparedBuild
from bridge.readings.reading import Reading, Watch
from bridge.sampling.continuity import Continuity
from bridge.sampling.practice_tracker import PracticeTracker, Rules
from bridge.sampling.sampler import Sampler
from bridge.values.value_type import Value
from schemas.errors import SourceEnded, SourceError, SourceUnusable
from schemas.loader import Bridge
from schemas.source_settings import DumpFormatName, RecordingSource

__all__ = ["FileCount", "all_counted", "count_file", "counted", "require_tallies"]

_WAIT = 10.0


class _Counting(PracticeLog):
    """Counts, and keeps nothing."""

    def __init__(self) -> None:
        self.counts: Counter[tuple[str, str, str]] = Counter()
        self.in_gaps: Counter[tuple[str, str, str]] = Counter()
        self.values: dict[str, Value | None] = {}

    async def open(self) -> Sequence[Attempt]:
        return []

    def began(self, attempt: Attempt) -> None:
        """Attempts are not looked at."""

    def ended(self, attempt: Attempt) -> None:
        """Attempts are not looked at."""

    def tallied(
        self, expression: str, build: str, value: Value | None, *, whole: bool = True
    ) -> None:
        key = repr(value)
        self.values[key] = value
        (self.counts if whole else self.in_gaps)[expression, build, key] += 1

    async def close(self) -> None:
        """Nothing is open."""


async def counted(
    bridge: Bridge,
    prepared_builds: Mapping[str, PreparedBuild],
    files: Sequence[Path] = (),
    dump_format: DumpFormatName | None = None,
    *,
    tell: Tell,
) -> Counted:
    """The counts, from files or from what is kept; every tally of the bridge is among them.

    *tell* is told what sources note of dumps, and why each file cannot be read where none can.
    Raises OutputError, SourceError where no file at all can be read, and BridgeFileError where the
    bridge file has no tally.
    """
    source = bridge.file.source
    require_tallies(bridge, prepared_builds)
    if not files and isinstance(source, RecordingSource):
        # what a recording gives does not depend on how often it was played
        played = every_frame(bridge, prepared_builds)
        own = await _count(lambda counting: _replay(bridge, prepared_builds, played, counting))
        found = all_counted([own], tell=tell)
    elif files:
        each = [
            await count_file(bridge, prepared_builds, path, dump_format, tell=tell)
            for path in files
        ]
        found = all_counted(each, tell=tell)
    else:
        found = Counted(kept_tallies(bridge))
    return replace(found, counts=with_unseen(found.counts, prepared_builds))


def require_tallies(bridge: Bridge, prepared_builds: Mapping[str, PreparedBuild]) -> None:
    """Raises BridgeFileError where the bridge file has no tally."""
    if not any(prepared.tallies for prepared in prepared_builds.values()):
        raise bridge.text.error(
            ("watches",), "there is no tally in the bridge file; write one, as tally(x, when)"
        )


@dataclass(frozen=True, slots=True)
class FileCount:
    """What one recording or dump gave.

    ``words`` is what there is to say of it, ``unread`` why it could not be read; ``whole`` is false
    where a part of it could not.
    """

    counts: Counter[tuple[str, str, str]]
    in_gaps: Counter[tuple[str, str, str]]
    values: Mapping[str, Value | None]
    words: Sequence[str] = ()
    whole: bool = True
    unread: SourceError | None = None


async def count_file(
    bridge: Bridge,
    prepared_builds: Mapping[str, PreparedBuild],
    path: Path,
    dump_format: DumpFormatName | None,
    *,
    tell: Tell,
) -> FileCount:
    """What is counted in a recording or a dump; *tell* is told what a dump's source notes."""

    async def count(counting: _Counting) -> tuple[list[str], bool]:
        if dump_format in (None, "auto") and is_recording(path):
            from adapters.sources.recording.replay import RecordingReplay  # dumps need no reader

            return await _replay(bridge, prepared_builds, RecordingReplay(path), counting)
        await _look(bridge, prepared_builds, path, counting, dump_format, tell)
        return [], True

    return await _count(count)


async def _count(count: Callable[[_Counting], Awaitable[tuple[list[str], bool]]]) -> FileCount:
    counting = _Counting()
    unread = None
    try:
        words, whole = await count(counting)
    except SourceError as fault:
        whole, unread, words = False, fault, [str(fault)]
    return FileCount(counting.counts, counting.in_gaps, counting.values, words, whole, unread)


def all_counted(files: Iterable[FileCount], *, tell: Tell) -> Counted:
    """The counts of all files.  Raises SourceError where none could be read."""
    counting = _Counting()
    words: list[str] = []
    failed = 0
    unread: list[SourceError | None] = []
    for file in files:
        counting.counts += file.counts
        counting.in_gaps += file.in_gaps
        counting.values |= file.values
        words += file.words
        failed += not file.whole
        unread.append(file.unread)
    last = unread[-1] if unread else None
    if last is not None and None not in unread:
        for word in words[:-1]:
            tell(word)
        raise last
    found: Counts = {}
    seen = dict(counting.counts.most_common())
    for place in (*seen, *(place for place in counting.in_gaps if place not in seen)):
        expression, build, key = place
        count = TallyCount(counting.values[key], seen.get(place, 0), counting.in_gaps[place])
        found.setdefault((expression, build), []).append(count)
    return Counted(found, words, failed)


async def _replay(
    bridge: Bridge,
    prepared_builds: Mapping[str, PreparedBuild],
    source: Source,
    counting: _Counting,
) -> tuple[list[str], bool]:
    """Count in a recording; gives what there is to say, and whether it could be read to its end.

    Frames before a part that is damaged are counted.  Raises SourceError where there are none.
    """
    sampler: Sampler | None = None
    reason = ""
    try:
        # a recording is in guest order, whatever the bridge file says of its own source
        setup = replace(sampling_setup(bridge, prepared_builds), declared=None)
        counted = Continuity(setup.clock, practising=PracticeTracker(Rules(), counting))
        sampler = await Sampler.open(source, setup, counted)
        while True:
            reason = (await sampler.next()).note
            await asyncio.sleep(0)  # else a signal would wait for the last frame
    except SourceEnded:
        if sampler is not None and not sampler.stats.frames:
            raise SourceUnusable(reason, source=source.name) from None
        return [f"{source.name}: {note}" for note in source.notes], True
    except SourceError as fault:
        frames = sampler.stats.frames if sampler is not None else 0
        if not frames:
            raise
        words = [f"{source.name}: {note}" for note in source.notes]
        return [*words, f"{fault}; the {frames} frames before that are counted"], False
    finally:
        await source.close()


async def _look(
    bridge: Bridge,
    prepared_builds: Mapping[str, PreparedBuild],
    path: Path,
    counting: _Counting,
    dump_format: DumpFormatName | None,
    tell: Tell,
) -> None:
    """Count in one dump, by watches that are what each tally is called with."""
    looking = {}
    for name, prepared in prepared_builds.items():
        slots = prepared.program.slots
        watches: list[Watch] = []
        places: dict[str, int] = {}
        for slot in slots:
            spec = slot.over_frames
            if spec is not None and spec.function == "tally":
                for number in spec.arguments:
                    places[watch := f"{len(watches)}"] = number
                    watches.append(Watch(watch, slot.text, slot.text, slots[number].type))
        program = replace(prepared.program, watches=places)
        looking[name] = replace(prepared, program=program, watches=tuple(watches))
    frame = await take_frame(with_dump(bridge, path, dump_format), looking, _WAIT, tell=tell)
    for value, when in zip(frame.readings[::2], frame.readings[1::2], strict=True):
        if _value(when):
            counting.tallied(value.watch.label, frame.build, _value(value))


def _value(reading: Reading) -> Value | None:
    return reading.value if reading.status.has_value else None
