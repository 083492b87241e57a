"""The output ``recording``: what the sampler takes, kept in a file for later."""

from __future__ import annotations

import asyncio
import contextlib
import logging
import tempfile
import time
from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path
from typing import Any, ClassVar, TypeVar

from adapters.outputs.recording.capture import WholeCapture, without
from adapters.outputs.recording.capture_apart import CaptureApart, can_be_apart
from adapters.outputs.recording.clips import Clips
from adapters.outputs.recording.last_minute import KeptMinute, keep_minute, minute_path
from adapters.outputs.recording.looked import looked_at
from adapters.outputs.recording.told_changes import ToldChanges
from adapters.outputs.recording.touched import LineReader
from adapters.outputs.recording.worker import Moment, RecordingWorker
from adapters.outputs.surroundings import OutputSurroundings
from adapters.recordings.header import About
from adapters.recordings.recorder import Recorder
from adapters.recordings.rolling import RollingRecorder
from bridge.memory.address_map import MemoryMap, Span
from bridge.memory.byte_order import ByteOrder
from bridge.ports.bulk_reader import BulkReader
from bridge.ports.memory_observer import FrameCounters, MemoryObserver, TakenMemory
from bridge.ports.output import Output
from bridge.ports.source import Cadence, Consistency, Opened, Source
from bridge.practice.progress import Practice
from bridge.readings.frame import Frame
from bridge.readings.reading import Watch
from schemas.errors import LowhalfError, OutputError, SourceError
from schemas.loader import Bridge
from schemas.output_settings import RecordingOutput as Settings
from schemas.system_words import system_words

__all__ = ["RecordingOutput"]

T = TypeVar("T")

_KEPT = 600.0
"""Seconds that are kept for clips."""
_PATIENCE = 10.0
"""Seconds that the last frames have to come onto the disk at the end."""


class RecordingOutput(Output, MemoryObserver):
    """Records into one file from the first frame with a known build on.

    A file is begun anew where another build runs.  ``path`` is the file, None before there is one.
    """

    kind: ClassVar[str] = "recording"

    def __init__(self, settings: Settings, bridge: Bridge, log: logging.Logger) -> None:
        super().__init__()
        self.path: Path | None = None
        self._settings = settings
        self._bridge = bridge
        self._log = log
        self._excluded = [Span(each.start, each.size) for each in settings.exclude]
        self._source: Source | None = None
        self._held = MemoryMap([])
        self._reader = LineReader(self._held)
        self._bulk: BulkReader | None = None
        self._worker: RecordingWorker | None = None
        self._build = ""
        self._capturing = False
        self._order = ByteOrder.BIG
        self._anew = True
        self._number: int | None = None
        self._epoch: float | None = None
        self._newest = 0.0
        self._frame: int | None = None
        self._ended = 0
        self._clips = Clips(bridge, settings.clips_size, log) if settings.clips else None
        self._loop: asyncio.AbstractEventLoop | None = None
        self._failed = asyncio.Event()
        self._fault: LowhalfError | None = None
        self._told = False
        self._keeping = False
        self._kept: KeptMinute | None = None

    @classmethod
    def from_bridge(cls, settings: Settings, around: OutputSurroundings) -> RecordingOutput:
        """The output of a bridge file's table."""
        output = cls(settings, around.bridge, around.log)
        if settings.keep or settings.clips:
            around.controls.keep = output.keep_last_minute
        if around.bridge.file.learn.keys:
            around.controls.mark = output.mark
        return output

    @property
    def state(self) -> str:
        worker = self._worker
        if self._fault is not None:
            return f"stopped: {self._fault}"
        if worker is None:
            return "waiting for the game"
        words = f"{worker.whole} frames whole, {worker.in_part} in part"
        if worker.some:
            words = f"{worker.some} frames, some memory of each"
        if self._keeping:
            return f"{words}; keeping the last minute"
        return words if self._kept is None else f"{words}; {self._kept.words}"

    def announce(self, watches: Sequence[Watch]) -> None:
        """Nothing: readings name their watches."""

    def publish(self, frame: Frame) -> None:
        worker = self._worker
        if worker is not None and frame.practice is not None and self._clips is not None:
            self._keep_ended(worker, frame.practice)
        if worker is None or not self._settings.readings or frame.number != self._number:
            return
        self._number = None
        # made here, since the image belongs to this thread; put into words in the other
        _ = frame.readings
        worker.readings(frame)

    async def settled(self) -> None:
        worker = self._worker
        if worker is not None and worker.is_behind:
            await asyncio.to_thread(worker.catch_up)

    async def run(self) -> None:
        """Wait until cancelled, then write what is there.

        Raises OutputError where the file cannot be written and no other output runs.
        """
        self._loop = asyncio.get_running_loop()
        try:
            await self._failed.wait()
            assert self._fault is not None
            if len(self.beside) < 2:
                raise self._fault
            # a full disk costs what it should have held, and no page
            self._log.error("%s; nothing more is recorded", self._fault)
            await asyncio.Event().wait()
        finally:
            await self._end()

    @property
    def kept_seconds(self) -> float | None:
        """How much is kept of what was; None where nothing is, or where all is."""
        recorder = self._worker.recorder if self._worker is not None else None
        if not isinstance(recorder, RollingRecorder):
            return None
        return self._settings.keep or _KEPT

    async def hold(self, name: str, seconds: float | None) -> tuple[Path, list[Path]]:
        """What is kept just now, in a new folder beside it that begins with *name*: the folder, and
        recordings in order; with *seconds*, those of what came last.

        It is done by the thread that writes.  Raises OutputError.
        """
        worker, recorder, parent = self._rolling()

        def hold() -> tuple[Path, list[Path]]:
            try:
                folder = Path(tempfile.mkdtemp(prefix=name, dir=parent))
                return folder, recorder.hold(folder, seconds)
            except (OSError, LowhalfError) as fault:
                words = system_words(fault) if isinstance(fault, OSError) else ""
                raise OutputError(
                    f"cannot be held: {words or fault}", output="recording"
                ) from fault

        async with asyncio.timeout(_PATIENCE):
            return await self._done(worker, hold)

    async def keep_last_minute(self) -> str:
        """Write the last minute into a recording of its own; gives words on it for the user.

        Raises OutputError where there is none, where another one is being written, and where it
        cannot be written.
        """
        if self._keeping:
            raise OutputError("the last minute is being kept already")
        worker, recorder, folder = self._rolling()
        path, newest = minute_path(folder, self._bridge.name), self._newest
        self._keeping = True
        try:
            kept = self._kept = await self._done(
                worker, lambda: keep_minute(recorder, path, newest)
            )
        finally:
            self._keeping = False
        self._log.info("%s", kept.words)
        return kept.words

    def mark(self, action: str) -> str:
        """Mark that an action is done, in the newest frame; gives words on it for the user.

        Raises OutputError where nothing is recorded.
        """
        worker, frame = self._worker, self._frame
        if worker is None or frame is None or self._fault is not None:
            why = "yet" if self._fault is None else f"any more: {self._fault}"
            raise OutputError(f"nothing is recorded {why}", output="recording")
        worker.do(partial(worker.recorder.mark, frame, action))
        return f"marked {action} in frame {frame}"

    def _rolling(self) -> tuple[RecordingWorker, RollingRecorder, Path]:
        """What keeps the last minutes, and the folder of its files.  Raises OutputError."""
        worker = self._worker
        recorder = worker.recorder if worker is not None else None
        if worker is None or not isinstance(recorder, RollingRecorder) or self.path is None:
            raise OutputError("nothing is kept now", output="recording")
        return worker, recorder, self.path

    async def _done(self, worker: RecordingWorker, job: Callable[[], T]) -> T:
        """What *job* gives, behind all frames so far, in the thread that writes.

        Raises OutputError as it does, and where nothing is written any more.
        """
        loop = asyncio.get_running_loop()
        done: asyncio.Future[T] = loop.create_future()

        def work() -> None:
            found: T | OutputError
            try:
                found = job()
            except OutputError as fault:
                found = fault
            with contextlib.suppress(RuntimeError):  # lowhalf ends, and the loop is closed
                loop.call_soon_threadsafe(_settle, done, found)

        worker.do(work)
        failed = asyncio.ensure_future(self._failed.wait())
        waits: list[asyncio.Future[Any]] = [done, failed]
        try:
            await asyncio.wait(waits, return_when=asyncio.FIRST_COMPLETED)
        finally:
            failed.cancel()
        if not done.done():
            raise OutputError(f"nothing is written any more: {self._fault}", output="recording")
        return done.result()

    # memory

    def source_opened(self, source: Source, opened: Opened) -> None:
        self._source, self._held = source, opened.memory
        self._capturing = False
        self._anew = True

    def sample_begins(self, counters: FrameCounters, order: ByteOrder) -> None:
        if self._build != counters.build and self._fault is None:
            self._build = counters.build
            try:
                self._begin()
            except OutputError as fault:
                self._fail(fault)
        if not self._capturing:
            self._capturing = True
            self._order = order
            self._capture(counters, order)
        if self._worker is not None and self._bulk is not None:
            self._worker.look()

    def frame_taken(self, taken: TakenMemory) -> None:
        worker = self._worker
        if worker is None:
            return
        if self._epoch is None:
            self._epoch = taken.day - taken.ticks
        self._number = self._frame = taken.number
        self._newest = self._epoch + taken.ticks
        told = self._told_changes(worker)
        lines = [] if told is not None or self._settings.ram == "none" else self._lines(taken)
        worker.moment(
            Moment(
                *(taken.number, taken.last, taken.missed),
                *(self._newest, taken.consistency, lines),
                told,
            )
        )

    def _told_changes(self, worker: RecordingWorker) -> ToldChanges | None:
        """What the source itself says of the frame's memory, where it can."""
        source = self._source
        if source is None or self._bulk is not None or self._settings.ram != "whole":
            return None
        with contextlib.suppress(SourceError):  # the sampler finds out, too
            changes = source.changes(everything=self._anew or worker.takes_lost())
            if changes is not None:
                self._anew = False
                return ToldChanges(changes, self._order, self._excluded)
        return None

    def source_closing(self, reason: str) -> None:
        if self._worker is not None and self._bulk is not None:
            self._worker.use(None)
        self._bulk = None
        self._source = None

    def _keep_ended(self, worker: RecordingWorker, practice: Practice) -> None:
        """A clip of each attempt that ended with this frame."""
        news, self._ended = practice.ended - self._ended, practice.ended
        recorder, clips = worker.recorder, self._clips
        if news <= 0 or clips is None or not isinstance(recorder, RollingRecorder):
            return
        for clip in clips.of(practice.recent[-news:], self._newest):
            worker.do(partial(clips.keep, recorder, clip))

    def _lines(self, taken: TakenMemory) -> list[tuple[Span, bytes]]:
        image = taken.image
        if image.whole and self._settings.ram == "whole":
            spans = without(image.memory.whole(), self._excluded)
            found = [(span, image.read(span.address, span.length)) for span in spans]
            return [(span, data) for span, data in found if data is not None]
        if self._reader.memory is not image.memory:
            self._reader = LineReader(image.memory)
        lines = self._reader.lines_of(taken)
        if not self._excluded:
            return lines
        return [(span, data) for span, data in lines if without([span], self._excluded) == [span]]

    def _capture(self, counters: FrameCounters, order: ByteOrder) -> None:
        self._bulk = None
        source, worker = self._source, self._worker
        if source is None or worker is None or self._settings.ram != "whole":
            return
        try:
            self._bulk = source.bulk_reader()
        except SourceError:
            return  # the sampler finds out, too
        if self._bulk is None:
            self._tell_how_much(source)
            return
        spans = without(self._bulk.spans, self._excluded)
        kind = CaptureApart if can_be_apart(self._bulk) else WholeCapture
        worker.use(kind(self._bulk, looked_at(self._held, spans, counters, order)))

    def _tell_how_much(self, source: Source) -> None:
        """Say once where not all memory can be had."""
        if self._told or source.cadence is Cadence.ONCE:
            return
        with contextlib.suppress(SourceError):
            changes = source.changes()
            words = "no more than the lines that watches look at" if changes is None else ""
            if changes is not None and source.consistency is Consistency.SENDER:
                words = "no more than what is sent"
            if words:
                self._told = True
                self._log.info("recording: %s gives %s", source.name, words)

    # the file

    def _begin(self) -> None:
        if self._worker is not None:
            self._worker.end()
            self._worker = None
        path = self._new_path()
        source = "" if self._source is None else self._source.name
        about = About.of(self._bridge, self._build, source)
        keep = self._settings.keep or (_KEPT if self._clips else None)
        marks = bool(self._bridge.file.learn.keys)
        recorder: Recorder | RollingRecorder
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            if keep is None:
                recorder = Recorder(path, about, replaces=False, marks=marks)
            else:
                path = path.parent
                recorder = RollingRecorder(path, self._bridge.name, about, keep, marks=marks)
        except OSError as fault:
            raise OutputError(
                f"{path.parent} cannot be made ({system_words(fault)})", output="recording"
            ) from fault
        self.path = path
        self._anew, self._frame = True, None
        worker = RecordingWorker(recorder, lambda: self._fail(worker.fault))
        self._worker = worker
        worker.start()
        self._log.info("recording to %s", path)

    def _new_path(self) -> Path:
        began = time.strftime("%Y%m%d-%H%M%S")
        words = self._settings.path.replace("{name}", self._bridge.name).replace("{time}", began)
        path = self._bridge.path.parent / words
        number = 1
        while path.exists():
            number += 1
            path = path.with_name(f"{Path(words).stem}-{number}{path.suffix}")
        return path

    def _fail(self, fault: LowhalfError | None) -> None:
        """Nothing is recorded any more; in any thread."""
        self._fault = self._fault or fault
        if self._loop is not None:
            with contextlib.suppress(RuntimeError):  # lowhalf ends, and the loop is closed
                self._loop.call_soon_threadsafe(self._failed.set)

    async def _end(self) -> None:
        worker, self._worker = self._worker, None
        if worker is None:
            return
        worker.end()
        await asyncio.to_thread(worker.join, _PATIENCE)


def _settle(done: asyncio.Future[T], found: T | OutputError) -> None:
    if done.done():
        return
    if isinstance(found, OutputError):
        done.set_exception(found)
    else:
        done.set_result(found)
