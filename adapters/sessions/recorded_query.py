"""Queries over the files of recordings, one after the other or on all cores."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from adapters.exports.row_files import ShownColumn
from adapters.functions import installed_functions
from adapters.recordings.reader import Recording, open_recording
from adapters.sessions.queried_bridge import held_of, queried_bridge, queried_build
from bridge.prepared import memory_map
from bridge.querying.asked import Asked, ColumnAsked, asked_of
from bridge.querying.known_memory import KnownMemory
from bridge.querying.query import Numbers, Plan, Query
from bridge.querying.rows import Rows
from bridge.querying.stretch import Stretch, joined
from schemas.compiler import BuildLayout
from schemas.errors import ExpressionError, LowhalfError

__all__ = ["QuerySettings", "RecordedQuery", "Seen"]

_GROUPS_AT_ONCE = 8
"""Each is of a second."""


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


class RecordedQuery:
    """A query over one recording.

    Raises what opening the recording, its bridge and schema raises, and ExpressionError.
    """

    def __init__(self, path: Path, settings: QuerySettings) -> None:
        self.settings = settings
        self.recording: Recording = open_recording(path)
        self.bridge = bridge = queried_bridge(path, settings.bridge, settings.schema)
        self.guest = memory_map(bridge.schema)
        self.held = held_of(self.recording, self.guest)
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

    @property
    def first_time(self) -> float:
        """When its first frame was recorded, in seconds since the Unix epoch."""
        return self.recording.groups[0].first_time / 1_000_000_000

    def shown(self) -> list[ShownColumn]:
        """The columns, with their types."""
        known = {watch.name: watch.show for watch in self.bridge.file.watches}
        return [
            ShownColumn(column.name, kind, known.get(column.expression, ""))
            for column, kind in zip(self.columns, self.asked.types, strict=True)
        ]

    def rows(self) -> Iterator[Rows]:
        """The rows, some at a time.  Raises SourceError where the file turns out to be damaged."""
        settings = self.settings
        query = Query(self.plan, self._memory_before(0), self.guest, settings.numbers)
        for groups in self._portions():
            stretch = joined([self.recording.stretch(group) for group in groups])
            self.seen.see(stretch, settings.numbers)
            found = query.over(stretch)
            if settings.only_first and len(found):
                yield found.first()
                return
            if len(found):
                yield found

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

    def _portions(self) -> Iterator[Sequence[int]]:
        """Groups that are evaluated together."""
        count = len(self.recording.groups)
        return (
            range(first, min(first + _GROUPS_AT_ONCE, count))
            for first in range(0, count, _GROUPS_AT_ONCE)
        )

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
