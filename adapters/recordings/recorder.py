"""Writes a recording."""

from __future__ import annotations

import inspect
import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from mcap.writer import CompressionType, Writer

from adapters.recordings import frame_message, topics
from adapters.recordings.frame_message import FrameKind, RecordedFrame
from adapters.recordings.header import BRIDGE_JSON_SCHEMA, VERSION, About
from bridge.memory.address_map import Span
from bridge.ports.source import Consistency
from schemas.errors import OutputError
from schemas.system_words import system_words

__all__ = ["KEY_EVERY", "LEAST_CHANGES", "Recorder"]

KEY_EVERY = 2.0
"""Seconds from one key image to the next."""

LEAST_CHANGES = 1 << 20
"""Bytes of changes that a group may always hold, however small its key image is."""

_NANOSECONDS = 1_000_000_000
_ONE_CHUNK = 1 << 62


class Recorder:
    """A recording under way.  Use it as a context manager: on leaving, the index is written.

    Each group is in the file, whole, once the next has begun; a recording that is never closed
    lacks the index and its last group, and can be played all the same.  Every method raises
    OutputError where the file cannot be written.
    """

    def __init__(self, path: Path, about: About) -> None:
        self.path = path
        try:
            self._stream = path.open("wb")
        except OSError as fault:
            raise self._failed(fault) from fault
        # a group is ended by flushing alone, never by its size
        self._writer = Writer(self._stream, chunk_size=_ONE_CHUNK, compression=CompressionType.ZSTD)
        self._time = 0
        self._key_time = 0
        self._key_size = 0
        self._changed = 0
        self._frames = 0
        self._readings_channel = 0
        self._closed = False
        try:
            self._begin(about)
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

    def key_due(self, time: float) -> bool:
        """Whether the next frame, at *time*, should be a key image.

        That is so at the start, two seconds after the last one, and where the changes since then
        have grown larger than it (and than 1 MiB).
        """
        late = round(time * _NANOSECONDS) - self._key_time >= KEY_EVERY * _NANOSECONDS
        return not self._frames or late or self._changed > max(self._key_size, LEAST_CHANGES)

    def key(
        self,
        number: int,
        time: float,
        consistency: Consistency,
        parts: Sequence[tuple[Span, bytes | memoryview]],
    ) -> None:
        """Record all of a frame, in guest order; with it a new group begins.

        ``number`` is the game's own number of the frame and ``time`` in seconds since the Unix
        epoch, counted on from the first frame by a clock that nobody sets: a player keeps to it,
        and judges by it what was missed.  Spans are canonical.
        """
        self._flush()
        self._frame(FrameKind.KEY, number, time, consistency, parts)
        self._key_time = self._time
        self._key_size = sum(span.length for span, _ in parts)
        self._changed = 0

    def changes(
        self,
        number: int,
        time: float,
        consistency: Consistency,
        parts: Sequence[tuple[Span, bytes | memoryview]],
    ) -> None:
        """Record the bytes that a frame has changed, inside the spans of the last key image."""
        if not self._frames:
            raise ValueError("a recording begins with a key image")
        self._frame(FrameKind.CHANGES, number, time, consistency, parts)
        self._changed += sum(span.length for span, _ in parts)

    def readings(self, frame: Mapping[str, Any]) -> None:
        """Record the readings of the last recorded frame: the object that ``--json`` prints."""
        if not self._readings_channel:
            self._readings_channel = self._json_channel(
                topics.READINGS, topics.READINGS_JSON_SCHEMA
            )
        self._message(self._readings_channel, json.dumps(frame, allow_nan=False).encode())

    def close(self) -> None:
        """Write the last group and the index; does nothing the second time."""
        if self._closed:
            return
        self._closed = True
        try:
            with self._stream:
                if not self._frames:
                    self._introduce()
                self._writer.finish()  # type: ignore[no-untyped-call]
        except OSError as fault:
            raise self._failed(fault) from fault

    def _begin(self, about: About) -> None:
        writer = self._writer
        writer.start(library=topics.LIBRARY)
        # MCAP knows no kind of schema for a binary form of our own; an attachment describes it
        self._ram_channel = writer.register_channel(topics.RAM, topics.RAM_ENCODING, 0)
        self._bridge_channel = self._json_channel(topics.BRIDGE, BRIDGE_JSON_SCHEMA)
        self._about = about

    def _introduce(self) -> None:
        """What the file says of itself, at its start, so that a cut-off file has it too.

        General tools list metadata and attachments; without any, the library would write indexes
        of them with nothing in them.  The message, for our own reader, is a group of its own.
        """
        about, writer = self._about, self._writer
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
                ("lowhalf-ram.txt", "text/plain", layout),
            ):
                data = text.encode("utf-8", "surrogateescape")
                writer.add_attachment(self._time, self._time, name, kind, data)
        except OSError as fault:
            raise self._failed(fault) from fault
        self._message(self._bridge_channel, about.encode())
        self._flush()

    def _json_channel(self, topic: str, schema: dict[str, Any]) -> int:
        text = json.dumps(schema).encode()
        number = self._writer.register_schema(schema["title"], "jsonschema", text)
        return self._writer.register_channel(topic, "json", number)

    def _frame(
        self,
        kind: FrameKind,
        number: int,
        time: float,
        consistency: Consistency,
        parts: Sequence[tuple[Span, bytes | memoryview]],
    ) -> None:
        # a clock that is set back must not bring frames out of order
        later = max(round(time * _NANOSECONDS), self._time + 1)
        data = frame_message.encode(RecordedFrame(kind, number, later, consistency, parts))
        self._time = later
        if not self._frames:
            self._introduce()
        self._message(self._ram_channel, data)
        self._frames += 1

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

    def _flush(self) -> None:
        try:
            self._writer.flush()  # type: ignore[no-untyped-call]
        except OSError as fault:
            raise self._failed(fault) from fault

    def _failed(self, error: OSError) -> OutputError:
        return OutputError(
            f"{self.path} cannot be written ({system_words(error) or error})",
            output=f"recording {self.path.name}",
        )
