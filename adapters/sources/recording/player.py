"""Source ``recording``: plays a recording, at the pace at which it was made or a multiple of it."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from pathlib import Path
from typing import ClassVar

from adapters.recordings.frame_message import RecordedFrame
from adapters.recordings.reader import Recording, open_recording
from adapters.recordings.recorded_memory import RecordedMemory
from adapters.sources.surroundings import SourceSurroundings
from adapters.system_clock import seconds
from bridge.memory.address_map import MemoryMap, Span
from bridge.memory.byte_order import ByteOrder
from bridge.memory.fetched import Part
from bridge.ports.source import Cadence, Consistency, Opened, Source
from schemas.errors import SourceEnded, SourceLost
from schemas.source_settings import RecordingSource

__all__ = ["RecordingPlayer"]

_NANOSECONDS = 1_000_000_000
_LAST_FRAME_SHOWN = 1 / 60
"""Seconds that the last frame stands before the first comes again, in recorded time."""


class RecordingPlayer(Source):
    """A recording that is played.

    The first frame is there as soon as it is open.  Only one group of frames, about a second, is in
    memory at a time, and of the key image what is asked for.
    """

    kind: ClassVar[str] = "recording"
    opening_words: ClassVar[str] = "is being opened"

    def __init__(self, settings: RecordingSource, directory: Path) -> None:
        """*directory* is what the settings' path is relative to."""
        super().__init__()
        self.settings = settings
        self.path = directory / settings.path
        self._recording: Recording | None = None
        self._consistency = Consistency.UNGUARDED
        self._memory = RecordedMemory(())
        self._group = -1
        self._frames: list[RecordedFrame] = []
        self._next = 0
        self._first_time = 0
        self._began = 0.0
        self._playing = False

    @classmethod
    def from_bridge(cls, settings: RecordingSource, around: SourceSurroundings) -> RecordingPlayer:
        """The source of a bridge file's table."""
        return cls(settings, around.directory)

    @property
    def paths(self) -> tuple[str, ...]:
        return (str(self.path),)

    @property
    def name(self) -> str:
        return f"recording {self.path.name}"

    @property
    def cadence(self) -> Cadence:
        return Cadence.ANNOUNCED

    @property
    def consistency(self) -> Consistency:
        """That of the present frame, as it was recorded."""
        return self._consistency

    @property
    def declared_order(self) -> ByteOrder | None:
        # what is recorded is in guest order already
        return ByteOrder.BIG

    async def _open(self, guest: MemoryMap) -> Opened:
        recording = await asyncio.to_thread(open_recording, self.path)
        self.notes = []
        if not recording.complete:
            self.notes.append("was cut off; what is whole of it is played")
        self._recording = recording
        self._group = -1
        await self._load(0)
        self._first_time = self._frames[0].time
        self._apply(self._frames[0])
        self._next = 0
        self._playing = False
        return Opened(recording.part_of(guest), guest)

    async def _close(self) -> None:
        self._recording = None
        self._memory = RecordedMemory(())
        self._frames = []

    async def _wait(self) -> int | None:
        if not self._playing:
            # the clock starts when the first frame is asked for
            self._check()
            self._playing = True
            self._began = seconds()
            first = self._frames[self._next]
            self._take()
            return first.number
        if self._next >= len(self._frames) and self._group + 1 >= self._count():
            await self._begin_again()
        elif self._next >= len(self._frames):
            await self._load(self._group + 1)
        await self._sleep_until(self._due(self._frames[self._next].time))
        await self._skip_groups()
        present = self._frames[self._next]
        self._take()
        # frames that are due already were missed: only the newest is shown
        while self._next < len(self._frames) and self._is_due(self._frames[self._next]):
            present = self._frames[self._next]
            self._take()
        return present.number

    async def _fetch(self, spans: Sequence[Span]) -> list[Part]:
        if self._recording is None:
            raise SourceLost("is closed", source=self.name)
        memory = self._memory
        if any(memory.packed(span) for span in spans):
            return await asyncio.to_thread(lambda: [memory.read(span) for span in spans])
        return [memory.read(span) for span in spans]

    # time

    def _due(self, recorded: int) -> float:
        """When a frame is due, as the clock counts seconds."""
        return self._began + (recorded - self._first_time) / _NANOSECONDS / self.settings.speed

    def _is_due(self, frame: RecordedFrame) -> bool:
        return self._due(frame.time) <= seconds()

    async def _sleep_until(self, due: float) -> None:
        # also where it is late: a fast recording must let the others run
        await asyncio.sleep(max(0.0, due - seconds()))
        self._check()

    async def _begin_again(self) -> None:
        ended = self._due(self._frames[-1].time)
        if not self.settings.repeat:
            await self._sleep_until(ended)
            raise SourceEnded("has ended", source=self.name)
        await self._load(0)
        self.passes += 1
        self._began = max(ended + _LAST_FRAME_SHOWN / self.settings.speed, seconds())

    async def _skip_groups(self) -> None:
        """Where whole groups are missed, go to the newest that is due, and read none between."""
        recording = self._check()
        elapsed = (seconds() - self._began) * self.settings.speed
        group = recording.group_at(self._first_time + int(elapsed * _NANOSECONDS))
        if group > self._group:
            await self._load(group)

    # memory

    def _check(self) -> Recording:
        if self._recording is None:
            raise SourceLost("is closed", source=self.name)
        return self._recording

    def _count(self) -> int:
        return len(self._check().groups)

    async def _load(self, group: int) -> None:
        """Go to the beginning of a group; what was known before it is what goes on."""
        recording, memory = self._check(), self._memory
        follows = group == self._group + 1 and group > 0 and self._next >= len(self._frames)

        def read() -> tuple[RecordedMemory, list[RecordedFrame]]:
            before = memory if follows else recording.memory_before(group)
            return before, recording.frames(group)

        self._memory, self._frames = await asyncio.to_thread(read)
        self._check()
        self._group, self._next = group, 0

    def _take(self) -> None:
        """Make the next frame the present one."""
        self._apply(self._frames[self._next])
        self._next += 1

    def _apply(self, frame: RecordedFrame) -> None:
        # bytes that may be older than the frame are vouched for by nobody
        self._consistency = Consistency.UNGUARDED if frame.in_part else frame.consistency
        # at whatever speed it is played, and whatever holds the player up
        self.moment = frame.time / _NANOSECONDS
        self._memory.apply(frame)
