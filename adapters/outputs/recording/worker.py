"""The two threads of a recording: one looks at memory, one packs and writes.

Neither holds up the event loop, and packing does not hold up looking: it takes many frames' time
once a second.
"""

from __future__ import annotations

import contextlib
import threading
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from functools import partial
from time import monotonic, sleep
from typing import Any

from adapters.outputs.recording.capture import Capture
from adapters.outputs.recording.told_changes import ToldChanges
from adapters.outputs.recording.touched import TouchedLines
from adapters.recordings.recorder import Parts, Recorder
from adapters.recordings.rolling import RollingRecorder
from bridge.memory.address_map import Span
from bridge.ports.changes import Rest
from bridge.ports.source import Consistency
from bridge.readings.frame import Frame
from schemas.errors import LowhalfError, SourceLost

__all__ = ["MAX_BACKLOG", "MAX_WAITING", "Moment", "RecordingWorker"]

MAX_WAITING = 16
"""Frames of a source that can wait, before it does."""
_PATIENCE = 10.0
_LOOK_AGAIN = 0.002
"""Seconds that a source waits at most which can wait, and after which it is looked again."""
_SHARE = 0.8
"""Of a frame's time: within it another look may be taken."""
_GATHERED = 0.1
"""Seconds of frames that are written by the same turn of the thread that writes."""
_MUCH = 4 << 20
"""Bytes that do not wait so long."""
MAX_BACKLOG = 256 << 20
"""Bytes that may wait to be written; frames beyond are gaps, so that a slow disk costs frames and
not memory."""


@dataclass(frozen=True, slots=True)
class Moment:
    """A frame that was taken, with the lines of it that the sampler read, in guest order, or with
    what the source *told* of its memory."""

    number: int
    last: int | None
    missed: int | None
    time: float
    consistency: Consistency
    lines: Sequence[tuple[Span, bytes]]
    told: ToldChanges | None = None


_Item = Moment | Frame | Capture | Callable[[], None] | None


@dataclass(slots=True)
class _Shared:
    """What the threads and the loop share: what is ``asked`` of the one that looks, under that
    lock, and what is ``due`` to be written by the other one, under that."""

    asked: threading.Condition = field(default_factory=threading.Condition)
    look: bool = False
    look_asked: float = 0.0
    moments: deque[_Item] = field(default_factory=deque)
    ended: bool = False
    capture: Capture | None = None
    due: threading.Condition = field(default_factory=threading.Condition)
    jobs: deque[tuple[int, Callable[[], None]]] = field(default_factory=deque)
    backlog: int = 0
    hurry: bool = False


class RecordingWorker:
    """Records moments into *recorder*, whole ones where a capture was made of them.

    ``fault`` is why nothing is recorded any more, once that is so; *on_fault* is called then, in a
    thread.  ``whole`` and ``in_part`` count frames, and ``some`` those of which only some memory is
    recorded.
    """

    def __init__(self, recorder: Recorder | RollingRecorder, on_fault: Callable[[], None]) -> None:
        self.recorder = recorder
        self.fault: LowhalfError | None = None
        self.whole = self.in_part = self.some = self.dropped = 0
        self._lost = False
        self._on_fault = on_fault
        self._shared = _Shared()
        self._touched = TouchedLines({})
        self._unwritten: tuple[int | None, int] | None = None
        self._look_time = 0.0
        self._before: tuple[int, float] | None = None
        self._threads = [
            threading.Thread(target=target, name=name, daemon=True)
            for target, name in (
                (self._look_on, "lowhalf-capture"),
                (self._write_on, "lowhalf-recorder"),
            )
        ]

    def start(self) -> None:
        """Start both threads."""
        for thread in self._threads:
            thread.start()

    # from the event loop

    def use(self, capture: Capture | None) -> None:
        """Whole frames come from *capture* from now on; from none, only lines that are touched."""
        self._put(capture)

    def look(self) -> None:
        """A sample is being taken: look at memory meanwhile."""
        with self._shared.asked:
            self._shared.look = True
            self._shared.look_asked = monotonic()
            self._shared.asked.notify()

    def moment(self, moment: Moment) -> None:
        """A frame was taken."""
        self._put(moment)

    def readings(self, frame: Frame) -> None:
        """The readings of the moment before, which are made."""
        self._put(frame)

    def do(self, job: Callable[[], None]) -> None:
        """Do something in the thread that writes, behind all frames so far."""
        self._put(job)

    def takes_lost(self) -> bool:
        """Whether what a source told was lost, since the disk was too slow; it is to tell all."""
        lost, self._lost = self._lost, False
        return lost

    @property
    def is_behind(self) -> bool:
        """Whether much that was given waits for its turn."""
        shared = self._shared
        return len(shared.moments) > MAX_WAITING or shared.backlog > MAX_BACKLOG // 2

    def catch_up(self) -> None:
        """Return once it is not behind any more, has failed or ended; for a thread."""
        patience = monotonic() + _PATIENCE
        while self.is_behind and self.fault is None and not self._shared.ended:
            if monotonic() > patience:
                return
            sleep(_LOOK_AGAIN)

    def end(self) -> None:
        """Write what is there, and end; returns at once."""
        with self._shared.asked:
            self._shared.ended = True
            self._shared.asked.notify()

    def join(self, seconds: float) -> bool:
        """Whether both threads have ended within so long."""
        for thread in self._threads:
            thread.join(seconds)
        return not any(thread.is_alive() for thread in self._threads)

    def _put(self, item: _Item) -> None:
        with self._shared.asked:
            self._shared.moments.append(item)
            self._shared.asked.notify()

    # looking

    def _look_on(self) -> None:
        shared = self._shared
        try:
            while True:
                with shared.asked:
                    shared.asked.wait_for(lambda: shared.look or shared.moments or shared.ended)
                    # looking is in a hurry, but for what there is to look at
                    first = shared.moments[0] if shared.moments else _NOTHING
                    wanted = shared.look and not (first is None or isinstance(first, Capture))
                    shared.look = shared.look and not wanted
                    item = shared.moments.popleft() if shared.moments and not wanted else _NOTHING
                    ended = shared.ended and not wanted and item is _NOTHING
                if wanted:
                    if shared.capture is not None:
                        self._look(shared.capture)
                elif ended:
                    break
                else:
                    self._take(item)
        finally:
            if shared.capture is not None:
                shared.capture.close()
            self._job(0, self.recorder.close)
            self._job(0, _END, hurry=True)

    def _look(self, capture: Capture) -> None:
        began = monotonic()
        # that the source is lost the sampler finds out, too
        with contextlib.suppress(SourceLost):
            capture.look()
        self._look_time = monotonic() - began

    def _has_time(self, moment: Moment) -> bool:
        """Whether another look can end before the next frame begins, as frames have come so far.

        One that goes over into the next frame would make the look at that one late, and so on.
        """
        before, self._before = self._before, (moment.number, moment.time)
        if before is None or moment.number <= before[0] or not self._shared.look_asked:
            return True
        frame_time = (moment.time - before[1]) / (moment.number - before[0])
        gone = monotonic() - self._shared.look_asked
        return gone + self._look_time < _SHARE * frame_time

    def _take(self, item: Any) -> None:
        if item is None or isinstance(item, Capture):
            if self._shared.capture is not None:
                self._shared.capture.close()
            self._shared.capture = item
        elif isinstance(item, Moment):
            self._record(item)
        elif callable(item):
            self._job(0, item, hurry=True)
        elif self._unwritten is None:
            self._job(0, lambda: self.recorder.readings(item.as_json()))

    def _record(self, moment: Moment) -> None:
        if self._shared.backlog > MAX_BACKLOG:
            self.dropped += 1
            self._lost = True
            before = self._unwritten or (moment.last, 0)
            self._unwritten = before[0], before[1] + 1 + (moment.missed or 0)
            return
        self._tell_gap(moment)
        capture = self._shared.capture
        parts: Parts | None
        gone: list[Span] = []
        in_part = False
        if moment.told is not None:
            parts, gone = moment.told.parts()
            if moment.told.rest is Rest.UNKNOWN:
                parts, gone = self._touched.changes(parts)
                still = moment.consistency is Consistency.STILL
                self.whole += still
                self.some += not still
            else:
                # what a frame told that was not written is told anew with a later one
                in_part = moment.told.rest is Rest.OLDER or self._lost
                self.in_part += in_part
                self.whole += not in_part
        elif capture is None:
            self.some += 1
            parts, gone = self._touched.changes(list(moment.lines))
        else:
            if not capture.saw(moment.number) and self._has_time(moment):
                # the game may be in that frame still
                self._look(capture)
            parts = capture.take() if capture.saw(moment.number) else None
            if parts is None:
                in_part = True
                parts = moment.lines
                capture.owe([span for span, _ in parts])
            self.in_part += in_part
            self.whole += not in_part
        size = sum(span.length for span, _ in parts)
        frame = partial(
            self.recorder.frame,
            *(moment.number, moment.time, moment.consistency, parts),
            gone=gone,
            in_part=in_part,
        )
        self._job(size, frame)

    def _tell_gap(self, moment: Moment) -> None:
        unwritten, self._unwritten = self._unwritten, None
        if unwritten is not None:
            last, missed = unwritten[0], unwritten[1] + (moment.missed or 0)
            reason = "the disk was too slow"
        elif moment.last is not None and moment.missed != 0:
            last, missed, reason = moment.last, moment.missed or 0, "not sampled"
        else:
            return
        number = moment.number
        known = missed if missed or moment.missed is not None else None
        self._job(0, lambda: self.recorder.gap(number, last, known, reason))

    def _job(self, size: int, job: Callable[[], None], *, hurry: bool = False) -> None:
        shared = self._shared
        with shared.due:
            shared.backlog += size
            shared.jobs.append((size, job))
            shared.hurry = shared.hurry or hurry or shared.backlog > _MUCH
            if shared.hurry or len(shared.jobs) == 1:
                shared.due.notify()

    # writing

    def _write_on(self) -> None:
        while True:
            jobs = self._gathered()
            for size, job in jobs:
                if job is _END:
                    return
                self._do(job)
                with self._shared.due:
                    self._shared.backlog -= size
            left = self._flush_in()
            if left is not None and left <= 0:
                self._do(self.recorder.flush)

    def _gathered(self) -> Sequence[tuple[int, Callable[[], None]]]:
        """What there is to do, of several frames; nothing where it is time to flush."""
        shared = self._shared
        with shared.due:
            if shared.due.wait_for(lambda: bool(shared.jobs), self._flush_in()):
                shared.due.wait_for(lambda: shared.hurry, _GATHERED)
            jobs, shared.jobs, shared.hurry = shared.jobs, deque(), False
        return jobs

    def _flush_in(self) -> float | None:
        """Seconds until what is written is brought onto the disk; None where there is nothing.

        What waited before it was written counts, too.
        """
        left = None if self.fault is not None else self.recorder.flush_in()
        return None if left is None else max(0.0, left - _GATHERED)

    def _do(self, job: Callable[[], None]) -> None:
        if self.fault is None:
            try:
                job()
            except LowhalfError as fault:
                self.fault = fault
                self.recorder.abandon()
                self._on_fault()


_NOTHING = object()


def _END() -> None:  # noqa: N802 - a mark, not a function that is called
    """The last job."""
