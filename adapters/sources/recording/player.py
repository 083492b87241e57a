"""Source ``recording``: plays a recording.

In real time, or faster or slower, by the clock: what is late is passed over, as of a live game.  Or
without a clock, every frame once: as fast as they are evaluated, or each when it is asked for.
"""

from __future__ import annotations

import asyncio
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import ClassVar

from adapters.recordings.frame_message import RecordedFrame
from adapters.recordings.reader import Recording, open_recording
from adapters.recordings.recorded_memory import RecordedMemory
from adapters.sources.recording.frame_places import END, START, FramePlace, place_of
from adapters.sources.surroundings import SourceSurroundings
from adapters.system_clock import seconds
from bridge.memory.address_map import LINE_SHIFT, MemoryMap, Span
from bridge.memory.byte_order import ByteOrder
from bridge.memory.fetched import Part
from bridge.ports.changes import Changes, Rest
from bridge.ports.controls import Controls
from bridge.ports.source import Cadence, Consistency, Opened, Source
from bridge.ports.steps import Steps
from schemas.errors import SourceEnded, SourceLost
from schemas.source_settings import RecordingSource

__all__ = ["RecordingPlayer"]

_NANOSECONDS = 1_000_000_000
_MAX_CHANGED = 1 << 16
"""Spans that are kept of what has changed, until somebody asks; beyond, all may have."""
_LAST_FRAME_SHOWN = 1 / 60
"""Seconds that the last frame stands before the first comes again, in recorded time."""


class RecordingPlayer(Source):
    """A recording that is played.

    The first frame is there as soon as it is open.  Only one group of frames, about a second, is in
    memory at a time, and of the key image what is asked for.
    """

    kind: ClassVar[str] = "recording"
    opening_words: ClassVar[str] = "is being opened"

    def __init__(
        self, settings: RecordingSource, directory: Path, controls: Controls | None = None
    ) -> None:
        """*directory* is what the settings' path is relative to.

        Stepped, it gives the frames that *controls* ask for; without these, whoever waits for a
        frame has asked for it.
        """
        super().__init__()
        self.settings = settings
        self.path = directory / settings.path
        self._steps: Steps | None = None
        if controls is not None and settings.pace == "stepped":
            self._steps = controls.steps = Steps()
        self._recording: Recording | None = None
        self._consistency = Consistency.UNGUARDED
        self._in_part = False
        self._memory = RecordedMemory(())
        self._first, self._last = START, END
        self._group = -1
        self._frames: list[RecordedFrame] = []
        self._next = 0
        self._shown_time = self._first_time = 0
        self._passed = 0
        self._began = 0.0
        self._playing = False
        self._held = MemoryMap([])
        self._followed = False
        self._changed: list[Span] | None = None
        """What has changed since it was asked for; None for all, and while nobody asks."""

    @classmethod
    def from_bridge(cls, settings: RecordingSource, around: SourceSurroundings) -> RecordingPlayer:
        """The source of a bridge file's table."""
        return cls(settings, around.directory, around.controls)

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
    def patient(self) -> bool:
        return self.settings.pace != "real"

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
        self._first, self._last = await asyncio.to_thread(self._bounds, recording)
        self.notes = []
        if not recording.complete:
            self.notes.append("was cut off; what is whole of it is played")
        if self.settings.from_frame is not None and self._first != START:
            self.notes.append(
                f"begins at frame {self.settings.from_frame}: functions over frames, steps and "
                "attempts know nothing of those before it"
            )
        self._recording = recording
        self._held, self._followed = recording.part_of(guest), False
        self._passed = 0
        await self._rewind()
        self._shown_time = self._first_time = self._frames[self._next].time
        self._apply(self._frames[self._next])
        self._playing = False
        return Opened(self._held, guest)

    async def _close(self) -> None:
        self._recording = None
        self._memory = RecordedMemory(())
        self._frames = []

    async def _wait(self) -> int | None:
        self._check()
        if self._steps is not None and not await self._steps.take():
            raise SourceEnded("no more frames are asked for", source=self.name)
        if not self._playing:
            # the clock starts when the first frame is asked for
            self._playing = True
            self._began = seconds()
            return self._take()
        if self._is_over():
            await self._begin_again()
        elif self._next >= len(self._frames):
            await self._load(self._group + 1)
        if self.patient:
            await asyncio.sleep(0)  # else nobody would have a turn
            self._check()
            return self._take()
        await self._sleep_until(self._due(self._frames[self._next].time))
        await self._skip_groups()
        number = self._take()
        # frames that are due already were missed: only the newest is shown
        while (
            not self._is_over()
            and self._next < len(self._frames)
            and self._due(self._frames[self._next].time) <= seconds()
        ):
            number = self._take()
        return number

    def changes(self, *, everything: bool = False) -> Changes:
        self._check()
        changed, self._changed, self._followed = self._changed, [], True
        if everything or changed is None:
            spans = self._held.whole()
        else:
            spans = self._held.spans(sorted({n for span in changed for n in self._lines(span)}))
        rest = Rest.OLDER if self._in_part else Rest.SAME
        return Changes([(span, self._memory.read(span)) for span in spans], rest)

    def _lines(self, span: Span) -> Iterable[int]:
        """The lines of what is held that a span touches."""
        for region in self._held.regions:
            first, last = max(span.address, region.start), min(span.end, region.end)
            if first < last:
                flat = self._held.flat_starts[region.name] - region.start
                yield from range(first + flat >> LINE_SHIFT, (last - 1 + flat >> LINE_SHIFT) + 1)

    async def _fetch(self, spans: Sequence[Span]) -> list[Part]:
        if self._recording is None:
            raise SourceLost("is closed", source=self.name)
        memory = self._memory
        if any(memory.packed(span) for span in spans):
            return await asyncio.to_thread(lambda: [memory.read(span) for span in spans])
        return [memory.read(span) for span in spans]

    # from where to where

    def _bounds(self, recording: Recording) -> tuple[FramePlace, FramePlace]:
        """The places of the first and the last frame.  Raises SourceUnusable where one is not."""
        wanted = self.settings
        first, last = START, END
        if wanted.from_frame is not None:
            first = place_of(recording, wanted.from_frame)
        if wanted.to_frame is not None:
            last = place_of(recording, wanted.to_frame, first)
        return first, last

    def _is_over(self) -> bool:
        """Whether the last frame was given."""
        if self._next < len(self._frames):
            return FramePlace(self._group, self._next) > self._last
        return self._group + 1 >= len(self._check().groups) or self._group >= self._last.group

    async def _begin_again(self) -> None:
        ended = self._due(self._shown_time)
        if not self.settings.repeats:
            if not self.patient:
                await self._sleep_until(ended)
            raise SourceEnded("has ended", source=self.name)
        shown = round(_LAST_FRAME_SHOWN * _NANOSECONDS)
        self._passed += self._shown_time - self._first_time + shown
        await self._rewind()
        self.passes += 1
        self._began = max(ended + _LAST_FRAME_SHOWN / self.settings.speed, seconds())

    async def _rewind(self) -> None:
        """Go to the first frame; those before it in its group are laid below it unseen."""
        self._group = -1
        await self._load(self._first.group)
        for frame in self._frames[: self._first.index]:
            self._memory.apply(frame)
        self._next = self._first.index

    # time

    def _due(self, recorded: int) -> float:
        """When a frame is due, as the clock counts seconds."""
        return self._began + (recorded - self._first_time) / _NANOSECONDS / self.settings.speed

    async def _sleep_until(self, due: float) -> None:
        # also where it is late: a fast recording must let the others run
        await asyncio.sleep(max(0.0, due - seconds()))
        self._check()

    async def _skip_groups(self) -> None:
        """Where whole groups are missed, go to the newest that is due, and read none between."""
        recording = self._check()
        elapsed = (seconds() - self._began) * self.settings.speed
        group = recording.group_at(self._first_time + int(elapsed * _NANOSECONDS))
        group = min(group, self._last.group)
        if group > self._group:
            await self._load(group)

    # memory

    def _check(self) -> Recording:
        if self._recording is None:
            raise SourceLost("is closed", source=self.name)
        return self._recording

    async def _load(self, group: int) -> None:
        """Go to the beginning of a group; what was known before it is what goes on."""
        recording, memory = self._check(), self._memory
        follows = group == self._group + 1 and group > 0 and self._next >= len(self._frames)

        def read() -> tuple[RecordedMemory, list[RecordedFrame]]:
            before = memory if follows else recording.memory_before(group)
            if self._followed and not follows:
                for span in self._held.whole():
                    before.read(span)  # unpacked here, where nobody waits for it
            return before, recording.frames(group)

        self._memory, self._frames = await asyncio.to_thread(read)
        self._check()
        self._group, self._next = group, 0
        if not follows:
            self._changed = None

    def _take(self) -> int:
        """Make the next frame the present one; gives its number."""
        frame = self._frames[self._next]
        self._apply(frame)
        self._next += 1
        self._shown_time = frame.time
        return frame.number

    def _apply(self, frame: RecordedFrame) -> None:
        # bytes that may be older than the frame are vouched for by nobody
        self._in_part = frame.in_part
        self._consistency = Consistency.UNGUARDED if frame.in_part else frame.consistency
        # at whatever speed it is played, and whatever holds the player up
        self.moment = (self._passed + frame.time) / _NANOSECONDS
        if self.patient:
            self.written_at = frame.time / _NANOSECONDS
        self._memory.apply(frame)
        if self._changed is not None:
            self._changed += [*(span for span, _ in frame.parts), *frame.gone]
            if len(self._changed) > _MAX_CHANGED:
                self._changed = None
