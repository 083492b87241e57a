"""Writes a recording."""

from __future__ import annotations

import contextlib
import inspect
import json
import os
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from time import monotonic
from types import TracebackType
from typing import Any, Self

import numpy as np
from mcap.writer import CompressionType, Writer

from adapters.recordings import frame_message, topics
from adapters.recordings.changed_lines import Parts, least, runs_of_lines
from adapters.recordings.frame_message import FrameKind, RecordedFrame
from adapters.recordings.header import BRIDGE_JSON_SCHEMA, VERSION, About, checked_regions
from adapters.recordings.recorded_memory import RecordedMemory, blocks
from bridge.memory.address_map import LINE_SIZE, Span
from bridge.ports.source import Consistency
from schemas.errors import OutputError
from schemas.system_words import system_words

__all__ = ["GROUP_TIME", "Parts", "Recorder"]

GROUP_TIME = 1.0
"""Seconds of frames that are written at a time, and so the most that can be lost."""

_SINCE_TIME = 10.0
"""Seconds after which what has changed since the key image is written anew."""
_SINCE_SHARE = 4
"""It is written sooner where frames have so many times its bytes."""
_KEY_SHARE = 8
"""A key image is written anew where so many times its bytes in the file lie behind it."""
_SINCE_KEY_SHARE = 2
"""And where what was written of changes since it has one part in so many of its bytes."""
_LEAST = 1 << 20
"""Bytes below which neither is thought of: they are read in no time."""
_GROUP_SIZE = 64 << 20
"""Bytes behind which a group ends sooner: a reader unpacks it as a whole."""

_NANOSECONDS = 1_000_000_000
_GROUP_NANOSECONDS = round(GROUP_TIME * _NANOSECONDS)
_ONE_CHUNK = 1 << 62


class Recorder:
    """A recording under way.  Use it as a context manager: on leaving, the index is written.

    Frames are written a group at a time, which begins a second after the last one; what was written
    is on the disk.  A recording that is never closed lacks the index and its last group, and can
    be read all the same.  Every method raises OutputError where the file cannot be written.
    """

    def __init__(
        self,
        path: Path,
        about: About,
        memory: RecordedMemory | None = None,
        *,
        replaces: bool = True,
        marks: bool = False,
    ) -> None:
        """*memory* is what is known before the first frame, where another recording goes on.

        A file that is there is written anew, or, where it *replaces* none, refused.  There can be
        *marks* in it only where that is said.
        """
        self.path = path
        try:
            checked_regions(about.regions)
        except ValueError as fault:
            raise OutputError(
                f"{path} cannot be written: {fault}", output=f"recording {path.name}"
            ) from fault
        try:
            self._stream = path.open("wb" if replaces else "xb")
        except OSError as fault:
            raise self._failed(fault) from fault
        # a chunk is ended by flushing alone, never by the library's measure of its size
        self._writer = Writer(self._stream, chunk_size=_ONE_CHUNK, compression=CompressionType.ZSTD)
        self._goes_on = memory is not None
        self.memory = memory or RecordedMemory(about.regions)
        self._changed = [np.zeros(-(-r.size // LINE_SIZE), np.bool_) for r in self.memory.regions]
        """Of each line of each region whether it differs from the key image, or is gone since."""
        self._time = 0
        self._frames = 0
        self._group_time = self._since_time = 0
        self._group_bytes = 0
        self._key_begin = self._key_size = self._since_size = 0
        self._open_group = False
        self._open_size = 0
        self._opened_at = 0.0
        self._closed = False
        try:
            self._begin(about, marks)
        except OSError as fault:
            self._stream.close()
            raise self._failed(fault) from fault

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    @property
    def size(self) -> int:
        """Bytes of the file so far."""
        return self._stream.tell()

    def frame(
        self,
        number: int,
        time: float,
        consistency: Consistency,
        parts: Parts,
        *,
        gone: Sequence[Span] = (),
        in_part: bool = False,
    ) -> None:
        """Record a frame: what it has changed, in guest order; of the first, all that there is.

        ``number`` is the game's own number of the frame and ``time`` in seconds since the Unix
        epoch, counted on from the first frame by a clock that nobody sets: a player keeps to it,
        and judges by it what was missed.  Spans are canonical and lie inside the recorded regions.
        ``gone`` are bytes that are not known any more; ``in_part`` is whether bytes beside the
        parts may have changed without its being known.
        """
        # a clock that is set back must not bring frames out of order
        later = max(round(time * _NANOSECONDS), self._time + 1)
        if not self._frames:
            self._introduce(later)
        elif later - self._group_time >= _GROUP_NANOSECONDS or self._open_size >= _GROUP_SIZE:
            self.flush()
        frame = RecordedFrame(FrameKind.CHANGES, number, later, consistency, parts, gone, in_part)
        if not self._frames:
            # its own memory is the key image; where that goes on, what it has changed is told, too
            self.memory.apply(frame)
            self._key(frame)
            if not self._goes_on:
                frame = replace(frame, parts=(), gone=())
        elif not self._open_group:
            self._before_group(frame)
        self._time = later
        if self._frames:
            before = [self.memory.read(span) for span, _ in frame.parts]
            known = [part if isinstance(part, bytes) else None for part in before]
            frame = replace(frame, parts=least(frame.parts, known))
        self.memory.apply(frame)
        self._note_changed([span for span, _ in frame.parts])
        self._note_changed(gone)
        data = frame_message.encode(frame)
        if not self._open_group:
            self._open_group, self._group_time = True, later
            self._opened_at = monotonic()
        self._group_bytes += len(data)
        self._open_size += len(data)
        self._message(self._ram_channel, data)
        self._frames += 1

    def gap(self, frame: int, last: int | None, missed: int | None, reason: str) -> None:
        """Record that frames are missing between *last* and *frame*, which is recorded next."""
        told = {"frame": frame, "last": last, "missed": missed, "reason": reason}
        self._json(topics.GAPS, told)

    def readings(self, frame: Mapping[str, Any]) -> None:
        """Record the readings of the last recorded frame: the object that ``--json`` prints."""
        self._json(topics.READINGS, frame)

    def mark(self, frame: int, name: str) -> None:
        """Record that the action *name* is done, as far as whoever plays knew in *frame*; before
        the first frame nothing is marked."""
        if not self._frames:
            return
        self._json(topics.MARKS, {"frame": frame, "name": name})
        if not self._open_group:  # a group begins with a frame: it is a chunk of its own
            self._open_group = True
            self.flush()

    def flush(self) -> None:
        """Bring what was recorded so far onto the disk; the next frame begins a group."""
        if not self._open_group:
            return
        self._end_chunk()
        self._open_group, self._open_size = False, 0
        try:
            self._stream.flush()
            os.fsync(self._stream.fileno())
            there = os.path.samestat(os.fstat(self._stream.fileno()), self.path.stat())
        except FileNotFoundError:
            there = False
        except OSError as fault:
            raise self._failed(fault) from fault
        if not there:
            raise OutputError(
                f"{self.path} is gone: it was removed or replaced while it was written",
                output=f"recording {self.path.name}",
            )

    def flush_in(self) -> float | None:
        """Seconds until what was recorded is to be brought onto the disk by :meth:`flush`, where
        no frame comes that does it; None where there is nothing."""
        if not self._open_group:
            return None
        return max(0.0, self._opened_at + GROUP_TIME - monotonic())

    def close(self) -> None:
        """Write the last group and the index; does nothing the second time."""
        if self._closed:
            return
        self._closed = True
        try:
            with self._stream:
                if not self._frames:
                    self._introduce(0)
                self._writer.finish()  # type: ignore[no-untyped-call]
        except OSError as fault:
            raise self._failed(fault) from fault

    def abandon(self) -> None:
        """Let go of the file as it is, as where the disk is full; harmless when it is closed."""
        self._closed = True
        with contextlib.suppress(OSError):
            self._stream.close()

    # what a group begins on

    def _before_group(self, frame: RecordedFrame) -> None:
        """A key image, or what has changed since, where what lies behind them has grown."""
        written = self.size - self._key_begin - self._key_size
        enough = written >= max(_LEAST, _KEY_SHARE * self._key_size)
        if enough or self._since_size * _SINCE_KEY_SHARE >= max(_LEAST, self._key_size):
            self._key(frame)
            return
        late = frame.time - self._since_time >= _SINCE_TIME * _NANOSECONDS
        changed = sum(map(np.count_nonzero, self._changed)) * LINE_SIZE
        much = self._group_bytes >= max(_LEAST, _SINCE_SHARE * changed)
        if changed and (late or much):
            large = changed > _GROUP_SIZE
            (self._key if large else self._since)(frame)

    def _key(self, frame: RecordedFrame) -> None:
        """All that is known, as messages of a block each, so that each can be unpacked alone."""
        self._key_begin = self.size
        for block in blocks(self.memory.regions):
            self._state(FrameKind.KEY, frame, self.memory.known(block))
        self._key_size = self.size - self._key_begin
        self._since_size = 0
        self._since_time = frame.time
        self._group_bytes = 0
        for lines in self._changed:
            lines[:] = False

    def _since(self, frame: RecordedFrame) -> None:
        begin = self.size
        parts: list[tuple[Span, bytes | memoryview]] = []
        gone: list[Span] = []
        for span in self._runs():
            known = self.memory.known(span)
            parts += known
            at = span.address
            for there, _ in known:
                if at < there.address:
                    gone.append(Span(at, there.address - at))
                at = there.end
            if at < span.end:
                gone.append(Span(at, span.end - at))
        self._state(FrameKind.SINCE_KEY, frame, parts, gone)
        self._since_size += self.size - begin
        self._since_time = frame.time
        self._group_bytes = 0

    def _state(
        self, kind: FrameKind, before: RecordedFrame, parts: Parts, gone: Sequence[Span] = ()
    ) -> None:
        state = RecordedFrame(kind, before.number, before.time, before.consistency, parts, gone)
        self._time = before.time
        self._message(
            self._key_channel if kind is FrameKind.KEY else self._since_channel,
            frame_message.encode(state),
        )
        self._end_chunk()

    def _note_changed(self, spans: Iterable[Span]) -> None:
        for region, lines in zip(self.memory.regions, self._changed, strict=True):
            for span in spans:
                first, last = max(span.address, region.start), min(span.end, region.end)
                if first < last:
                    begin = (first - region.start) // LINE_SIZE
                    lines[begin : -(-(last - region.start) // LINE_SIZE)] = True

    def _runs(self) -> list[Span]:
        """The changed lines, neighbours joined; each lies inside one region."""
        return [
            Span(region.start + first, last - first)
            for region, lines in zip(self.memory.regions, self._changed, strict=True)
            for first, last in runs_of_lines(np.flatnonzero(lines), region.size)
        ]

    # the file

    def _begin(self, about: About, marks: bool) -> None:
        writer = self._writer
        writer.start(library=topics.LIBRARY)
        # MCAP knows no kind of schema for a binary form of our own; an attachment describes it
        self._ram_channel, self._key_channel, self._since_channel = (
            writer.register_channel(topic, topics.RAM_ENCODING, 0)
            for topic in (topics.RAM, topics.KEY, topics.SINCE_KEY)
        )
        self._json_channels = {
            topic: self._json_channel(topic, schema)
            for topic, schema in (
                (topics.BRIDGE, BRIDGE_JSON_SCHEMA),
                (topics.READINGS, topics.READINGS_JSON_SCHEMA),
                (topics.GAPS, topics.GAPS_JSON_SCHEMA),
                *(((topics.MARKS, topics.MARKS_JSON_SCHEMA),) if marks else ()),
            )
        }
        self._about = about

    def _introduce(self, time: int) -> None:
        """What the file says of itself, at its start, so that a cut-off file has it too.

        General tools list metadata and attachments; without any, the library would write indexes
        of them with nothing in them.  The message, for our own reader, is a chunk of its own.
        """
        about, writer = self._about, self._writer
        self._time = time
        told = {
            "version": str(VERSION),
            "build": about.build,
            "source": about.source,
            "regions": ", ".join(f"{r.name} 0x{r.start:08X} 0x{r.size:X}" for r in about.regions),
        }
        layout = inspect.cleandoc(frame_message.__doc__ or "")
        try:
            writer.add_metadata("lowhalf", told)
            for name, kind, text in (
                ("schema.toml", "application/toml", about.schema),
                ("bridge.toml", "application/toml", about.bridge),
                *((f"{n}.layout.toml", "application/toml", t) for n, t in about.layouts.items()),
                *((f"{n}.plan.toml", "application/toml", t) for n, t in about.plans.items()),
                ("lowhalf-ram.txt", "text/plain", layout),
            ):
                data = text.encode("utf-8", "surrogateescape")
                writer.add_attachment(time, time, name, kind, data)
        except OSError as fault:
            raise self._failed(fault) from fault
        self._message(self._json_channels[topics.BRIDGE], about.encode())
        self._end_chunk()

    def _json(self, topic: str, told: Mapping[str, Any]) -> None:
        self._message(self._json_channels[topic], json.dumps(told, allow_nan=False).encode())

    def _json_channel(self, topic: str, schema: dict[str, Any]) -> int:
        text = json.dumps(schema).encode()
        number = self._writer.register_schema(schema["title"], "jsonschema", text)
        return self._writer.register_channel(topic, "json", number)

    def _message(self, channel: int, data: bytes) -> None:
        try:
            self._writer.add_message(
                channel,
                log_time=self._time,
                publish_time=self._time,
                data=data,
                sequence=self._frames + 1 & 0xFFFF_FFFF,
            )
        except OSError as fault:
            raise self._failed(fault) from fault

    def _end_chunk(self) -> None:
        try:
            self._writer.flush()  # type: ignore[no-untyped-call]
        except OSError as fault:
            raise self._failed(fault) from fault

    def _failed(self, error: OSError) -> OutputError:
        return OutputError(
            f"{self.path} cannot be written ({system_words(error) or error})",
            output=f"recording {self.path.name}",
        )
