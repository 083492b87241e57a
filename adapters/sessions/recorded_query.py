"""Queries over the files of recordings, as a whole or in portions that are evaluated apart."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

from adapters.exports.row_files import ShownColumn
from adapters.functions import installed_functions
from adapters.recordings.reader import Recording, open_recording
from adapters.sessions.queried_bridge import queried_bridge, queried_build
from bridge.prepared import memory_map
from bridge.querying.asked import Asked, ColumnAsked, asked_of
from bridge.querying.known_memory import KnownMemory
from bridge.querying.query import Numbers, Plan, Query
from bridge.querying.rows import Rows
from bridge.querying.stretch import Stretch, joined
from schemas.compiler import BuildLayout
from schemas.errors import ExpressionError, LowhalfError, SourceError, SourceUnusable
from schemas.loader import Bridge

__all__ = [
    "Portion",
    "PortionDone",
    "PortionWorker",
    "QuerySettings",
    "RecordedQuery",
    "Seen",
    "Told",
]

_GROUPS_AT_ONCE = 8
"""Each is of a second."""
_BYTES_AT_ONCE = 32 << 20
_GROUPS_APART = 120
_NANOSECONDS = 1_000_000_000


@dataclass(frozen=True, slots=True)
class QuerySettings:
    """What is asked, whatever the recording.

    Without *columns* these are all watches of the bridge file.  *conditions* must all hold in the
    frames that are given, of which *only_first* leaves the first.  Without *bridge* and *schema*
    those that were recorded are used.  *statuses* is whether warnings of pointers into the heap
    are wanted beside the values.  Without *at_once* the engine evaluates all, frame by frame.
    """

    columns: tuple[ColumnAsked, ...] = ()
    conditions: tuple[str, ...] = ()
    numbers: Numbers = field(default_factory=Numbers)
    only_first: bool = False
    bridge: Path | None = None
    schema: Path | None = None
    statuses: bool = True
    at_once: bool = True


@dataclass(slots=True)
class Seen:
    """What there is to say of the frames that were looked at."""

    frames: int = 0
    in_part: int = 0
    wanted: int = 0
    least: int | None = None
    most: int | None = None

    def see(self, stretch: Stretch, wanted: Numbers) -> None:
        """Some frames more."""
        self.frames += len(stretch)
        self.in_part += int(stretch.in_part.sum())
        self.wanted += int(wanted.among(stretch.numbers).sum())
        if len(stretch):
            least, most = min(stretch.numbers), max(stretch.numbers)
            self.least = least if self.least is None else min(self.least, least)
            self.most = most if self.most is None else max(self.most, most)

    def add(self, other: Seen) -> None:
        """The frames of another part."""
        self.frames += other.frames
        self.in_part += other.in_part
        self.wanted += other.wanted
        self.least = min((n for n in (self.least, other.least) if n is not None), default=None)
        self.most = max((n for n in (self.most, other.most) if n is not None), default=None)


@dataclass(frozen=True, slots=True)
class Portion:
    """Groups of a recording: from number *begin* on, up to *end* (one behind; None for all)."""

    path: Path
    begin: int = 0
    end: int | None = None


@dataclass(frozen=True, slots=True)
class Told:
    """What there is to say of a recording before its rows."""

    columns: list[ShownColumn]
    first_time: float
    notes: list[str]


@dataclass(frozen=True, slots=True)
class PortionDone:
    """The rows of a portion.  ``fault`` is why there are no more; ``told`` is None where the
    recording could not be opened."""

    rows: list[Rows]
    seen: Seen
    told: Told | None = None
    fault: str = ""
    unusable: bool = False
    """Whether the fault is the recording's, and not one of what is asked."""


class PortionWorker:
    """Evaluates portions of recordings, in a process of its own."""

    def __init__(self, settings: QuerySettings) -> None:
        self._settings = settings
        self._query: RecordedQuery | None = None

    def __call__(self, portion: Portion) -> PortionDone:
        rows: list[Rows] = []
        seen, told = Seen(), None
        try:
            if self._query is None or self._query.recording.path != portion.path:
                self._query = RecordedQuery(portion.path, self._settings)
            query = self._query
            query.seen, told = seen, query.told()
            rows.extend(query.rows(portion))
        except LowhalfError as fault:
            return PortionDone(rows, seen, told, str(fault), isinstance(fault, SourceError))
        return PortionDone(rows, seen, told)


class RecordedQuery:
    """A query over one recording.

    *bridge* stands in for the one that the settings name, where it is loaded already.  Raises what
    opening the recording, its bridge and schema raises, and ExpressionError.
    """

    def __init__(self, path: Path, settings: QuerySettings, bridge: Bridge | None = None) -> None:
        self.settings = settings
        self.recording: Recording = open_recording(path)
        bridge = bridge or queried_bridge(path, settings.bridge, settings.schema)
        self.bridge = bridge
        self.guest = memory_map(bridge.schema)
        self.held = self.recording.part_of(self.guest)
        if not self.held.regions:
            raise SourceUnusable(
                f"holds no memory of the schema {bridge.schema.path.name}: is it another game's?",
                source=f"recording {path.name}",
            )
        self.seen = Seen()
        self.notes: list[str] = []
        layout = queried_build(self.recording, bridge, self.held)
        self.columns = settings.columns or self._all_watches(layout)
        if not self.columns:
            raise LowhalfError(f"{bridge.path} has no watches: say what to show with --watch")
        self.asked: Asked = asked_of(
            bridge,
            layout,
            self.columns,
            settings.conditions,
            installed_functions(),
            heap_warnings=settings.statuses,
        )
        self.plan = Plan(self.asked, self.held, at_once=settings.at_once)

    def told(self) -> Told:
        """What there is to say before the rows."""
        known = {watch.name: watch.show for watch in self.bridge.file.watches}
        columns = [
            ShownColumn(column.name, kind, known.get(column.expression, ""))
            for column, kind in zip(self.columns, self.asked.types, strict=True)
        ]
        notes = self.notes[:]
        if self.settings.bridge is None:
            what = "bridge file" if self.settings.schema is not None else "bridge file and schema"
            notes.insert(0, f"read by the {what} that it was recorded with; --bridge names another")
        if not self.recording.complete:
            notes.append("was cut off; what is whole of it is used")
        return Told(columns, self.recording.groups[0].first_time / _NANOSECONDS, notes)

    @property
    def portions(self) -> list[Portion]:
        """The recording in parts that can be evaluated apart: all of it where frames hang together.

        Each is of some minutes, so that it is worth the way to its beginning.
        """
        count, path = len(self.recording.groups), self.recording.path
        step = _GROUPS_APART if self.plan.apart else count
        return [Portion(path, at, min(at + step, count)) for at in range(0, count, step)]

    def rows(self, portion: Portion | None = None) -> Iterator[Rows]:
        """The rows, some at a time.  Raises SourceError where the file turns out to be damaged."""
        settings = self.settings
        begin, end = 0, len(self.recording.groups)
        if portion is not None:
            begin, end = portion.begin, end if portion.end is None else portion.end
        query = Query(self.plan, self._memory_before(begin), self.guest, settings.numbers)
        for stretch in self._stretches(begin, end):
            self.seen.see(stretch, settings.numbers)
            found = query.over(stretch)
            if settings.only_first and len(found):
                yield found.first()
                return
            if len(found):
                yield found

    def _stretches(self, begin: int, end: int) -> Iterator[Stretch]:
        """The frames of groups, as many at once as memory is to hold."""
        pending: list[Stretch] = []
        for group in range(begin, end):
            pending.append(self.recording.stretch(group))
            size = sum(len(each.data) for each in pending)
            if len(pending) == _GROUPS_AT_ONCE or size >= _BYTES_AT_ONCE or group + 1 == end:
                yield joined(pending)
                pending = []

    def _all_watches(self, layout: BuildLayout) -> tuple[ColumnAsked, ...]:
        """Those of the bridge file; of a recorded one without those that need more than it."""
        watches = [ColumnAsked(watch.name, watch.name) for watch in self.bridge.file.watches]
        if self.settings.bridge is not None:
            return tuple(watches)
        usable: list[ColumnAsked] = []
        for watch in watches:
            try:
                asked_of(self.bridge, layout, [watch], functions=installed_functions())
            except ExpressionError as fault:
                self.notes.append(f"watch {watch.name} is left out: {fault.detail}")
            else:
                usable.append(watch)
        return tuple(usable)

    def _memory_before(self, group: int) -> KnownMemory:
        """What was known before a group."""
        memory = KnownMemory(self.held)
        recorded = self.recording.memory_before(group)
        lines = self.plan.lines
        spans = self.held.whole() if lines is None else self.held.spans(lines)
        for span in spans:
            for part, data in recorded.known(span):
                memory.write(part, data)
        if lines is not None:
            memory.look_only_at(lines)
        return memory
