"""A frame: one sampled moment with every watch's reading."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import TYPE_CHECKING, Any

from bridge.readings.reading import Reading
from bridge.values.status import Status

if TYPE_CHECKING:  # many a frame has neither
    from bridge.heap.blocks import Heap
    from bridge.heap.told_events import ToldEvents
    from bridge.practice.followed_plan import FollowedPlan
    from bridge.practice.progress import Practice

__all__ = ["Frame", "Stats"]


@dataclass(frozen=True, slots=True)
class Stats:
    """Counts since the source was opened, in frames unless said."""

    frames: int = 0
    """Frames evaluated."""
    skipped: int = 0
    """Frames of the game that were never sampled, by the game's own counter."""
    lag: int = 0
    """Frames' time that the game itself has lost: what it did ended by so much too late."""
    torn: int = 0
    """Samples that the guard refused and that were taken again."""
    unwhole: int = 0
    """Times that the guard never passed, so that the last whole frame stayed."""
    resets: int = 0
    """Times that the game's frame counter went backwards, or ahead by what no time explains."""
    unclear: int = 0
    """Times that it cannot be known how many frames were skipped: those are not in ``skipped``."""
    batches: int = 0
    """Batches of lines fetched, the guard's own counters left out."""


@dataclass(frozen=True)
class Frame:
    """One sampled moment: the game's own frame number, a time and every watch's reading.

    ``number`` goes on where the game's counter runs over.  ``time`` is seconds since the Unix
    epoch: of a dump when its file was written.  ``build`` is "" while it is not known.  Readings
    are made when they are first asked for, so that a frame that no output looks at costs nothing.
    ``note`` is a sentence about the whole frame, such as why the source is gone; else empty.
    ``practice`` is there where the bridge file has steps or attempts, ``plan`` where it names a
    plan, ``heap`` where anything asked
    for the heap, ``heap_events`` where anybody follows what becomes of its blocks.
    """

    number: int
    time: float
    build: str
    source: str
    consistency: str
    make_readings: Callable[[], Sequence[Reading]] = field(repr=False, compare=False)
    stats: Stats = Stats()
    note: str = ""
    practice: Practice | None = None
    plan: FollowedPlan | None = None
    heap: Heap | None = field(default=None, repr=False, compare=False)
    heap_events: ToldEvents | None = field(default=None, repr=False, compare=False)
    paths: tuple[str, ...] = field(default=(), repr=False, compare=False)
    """Paths of this machine that its texts may name; see ``bridge.readings.public_words``."""
    ticks: float = field(default=0.0, repr=False, compare=False)
    """When it was taken, in seconds that no change of the time of day disturbs; its age is
    measured by these."""

    @cached_property
    def readings(self) -> tuple[Reading, ...]:
        return tuple(self.make_readings())

    def __getitem__(self, watch: str) -> Reading:
        """The reading of a watch by its name.  Raises KeyError where there is none of that name."""
        for reading in self.readings:
            if reading.watch.name == watch:
                return reading
        raise KeyError(watch)

    def as_json(self) -> dict[str, Any]:
        """The object that ``--json`` prints for a frame."""
        return {
            "frame": self.number,
            "time": self.time,
            "build": self.build,
            "source": self.source,
            "consistency": self.consistency,
            "readings": [reading.as_json() for reading in self.readings],
            **({"practice": self.practice.as_json()} if self.practice is not None else {}),
            **({"plan": self.plan.as_json()} if self.plan is not None else {}),
        }

    def stale(self, reason: str, now: float) -> Frame:
        """The same frame when no newer one can be had whole: values stay, with reason and age.

        *now* is of the same clock as ``ticks``.
        """
        readings, age = self.readings, max(0.0, now - self.ticks)

        def kept() -> Sequence[Reading]:
            return [
                replace(reading, reason=reading.reason or reason, age=age) for reading in readings
            ]

        return replace(self, make_readings=kept, note=reason)

    def offline(self, reason: str, now: float) -> Frame:
        """The same frame when its source is gone: values stay, with their age.

        *now* is of the same clock as ``ticks``.
        """
        readings = self.readings
        age = max(0.0, now - self.ticks)

        def gone() -> Sequence[Reading]:
            return [
                replace(
                    reading,
                    status=Status.OFFLINE,
                    value=reading.value if _kept(reading.status) else None,
                    reason=reason,
                    age=age,
                    cause="",
                )
                for reading in readings
            ]

        plan = self.plan and replace(self.plan, reason=reason)
        return replace(self, make_readings=gone, note=reason, plan=plan)


def _kept(status: Status) -> bool:
    return status.has_value or status is Status.OFFLINE
