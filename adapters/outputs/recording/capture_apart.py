"""Memory is looked at where it lies, by a process of its own.

To copy RAM out of a file by calls takes twice as long as to compare it, so it is compared in a
mapping.  One who touches a mapping of a file that was cut short is ended by the system (SIGBUS,
mmap(2)), as when an emulator is started again; so that is a process whose end costs nothing but
what it knew.  It ends with the parent, whose end of its pipe is closed then.

    L           look: which frame that was, and whether whole
    T           take: what has changed, in the form of a recorded frame
    O, spans    owe
"""

from __future__ import annotations

import contextlib
import mmap
import subprocess
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from multiprocessing.connection import Connection, Pipe
from pathlib import Path

from adapters.outputs.recording.capture import Capture, WholeCapture
from adapters.recordings import frame_message
from adapters.recordings.frame_message import FrameKind, RecordedFrame
from adapters.recordings.recorder import Parts
from bridge.memory.address_map import MemoryMap, Span
from bridge.memory.byte_order import ByteOrder
from bridge.ports.bulk_reader import BulkReader
from bridge.ports.memory_observer import FrameCounters
from bridge.ports.source import Consistency

__all__ = ["CaptureApart", "MappedFile", "can_be_apart", "serve"]

_PATIENCE = 5.0
"""Seconds that the process has to end by itself."""
_LEAST = 1 << 20
"""Bytes from which on it is worth a process."""
_BEGIN = """
import sys
sys.path[:] = sys.argv[3:]
from adapters.outputs.recording.capture_apart import serve
serve(int(sys.argv[1]), int(sys.argv[2]))
"""


@dataclass(frozen=True, slots=True)
class _Looked:
    """What the process is to look at; ``offset`` is where ``whole`` begins in the file."""

    offset: int
    whole: Span
    memory: MemoryMap
    spans: Sequence[Span]
    counters: FrameCounters
    order: ByteOrder


def can_be_apart(reader: BulkReader) -> bool:
    """Whether a process of its own may look at what a reader reads."""
    size = sum(span.length for span in reader.spans)
    return sys.platform != "win32" and reader.file is not None and size >= _LEAST


class CaptureApart(Capture):
    """Has a process look, and looks itself once that has ended for whatever reason."""

    def __init__(
        self,
        reader: BulkReader,
        memory: MemoryMap,
        spans: Sequence[Span],
        counters: FrameCounters,
        order: ByteOrder,
    ) -> None:
        super().__init__(counters)
        self._reader = reader
        self._asked = memory, spans, counters, order
        self._process: subprocess.Popen[bytes] | None = None
        self._pipe: Connection | None = None
        self._here: WholeCapture | None = None

    @property
    def process(self) -> int | None:
        """The number of the process that looks; None where none does."""
        return None if self._process is None else self._process.pid

    def look(self) -> None:
        self._frame, self._whole = None, False
        if self._here is None:
            try:
                if self._pipe is None:
                    self._start()
                assert self._pipe is not None
                self._pipe.send_bytes(b"L")
                self._frame, self._whole = self._pipe.recv()
                return
            except (OSError, EOFError):
                self._end()
                self._here = WholeCapture(self._reader, *self._asked)
        self._here.look()
        self._frame, self._whole = self._here.seen

    def take(self) -> Parts | None:
        self._whole = False
        if self._here is not None:
            return self._here.take()
        if self._pipe is None:
            return None
        try:
            self._pipe.send_bytes(b"T")
            # a frame's message is made for this: no number in it means anything here
            told = memoryview(self._pipe.recv_bytes())
        except (OSError, EOFError):
            return None  # the next look finds out, too
        return frame_message.decode(told, 0).parts

    def owe(self, spans: Sequence[Span]) -> None:
        if self._here is not None:
            self._here.owe(spans)
        elif self._pipe is not None:
            # what has ended owes everything
            with contextlib.suppress(OSError):
                self._pipe.send_bytes(b"O")
                self._pipe.send(list(spans))

    def close(self) -> None:
        self._end()
        self._reader.close()

    def _start(self) -> None:
        file = self._reader.file
        assert file is not None
        self._pipe, theirs = Pipe()
        with theirs:
            numbers = theirs.fileno(), file.descriptor
            self._process = subprocess.Popen(
                [sys.executable, "-c", _BEGIN, *map(str, numbers), *_places()],
                pass_fds=numbers,
                # a terminal's Ctrl-C is for us
                process_group=0,
                stdin=subprocess.DEVNULL,
                stdout=subprocess.DEVNULL,
                stderr=subprocess.DEVNULL,
            )
        self._pipe.send(_Looked(file.offset, self._reader.spans[0], *self._asked))

    def _end(self) -> None:
        process, self._process = self._process, None
        if self._pipe is not None:
            self._pipe.close()
            self._pipe = None
        if process is not None:
            try:
                process.wait(_PATIENCE)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()


def _places() -> list[str]:
    """Where packages are imported from: ours first, whatever else goes by their names."""
    ours = str(Path(__file__).parents[3])
    return [ours, *(place for place in sys.path if place and place != ours)]


class MappedFile(BulkReader):
    """Bytes of a file from *offset* on, where they lie; for a process that may end."""

    def __init__(self, file: int, offset: int, span: Span) -> None:
        self.spans = (span,)
        begin = offset - offset % mmap.ALLOCATIONGRANULARITY
        self._map = mmap.mmap(file, offset - begin + span.length, prot=mmap.PROT_READ, offset=begin)
        self._bytes = memoryview(self._map)[offset - begin :]

    def view(self, address: int, length: int) -> memoryview:
        at = address - self.spans[0].address
        return self._bytes[at : at + length]

    def read_into(self, address: int, into: memoryview) -> None:
        into[:] = self.view(address, len(into))

    def close(self) -> None:
        """The process ends."""


def serve(pipe: int, file: int) -> None:
    """What the process does, until the parent closes the pipe: looks at *file*."""
    # a file that cannot be mapped is a ValueError: it is too short by now
    with contextlib.suppress(EOFError, OSError, ValueError), Connection(pipe) as parent:
        asked: _Looked = parent.recv()
        reader = MappedFile(file, asked.offset, asked.whole)
        capture = WholeCapture(reader, asked.memory, asked.spans, asked.counters, asked.order)
        while True:
            match parent.recv_bytes():
                case b"L":
                    capture.look()
                    parent.send(capture.seen)
                case b"T":
                    parts = capture.take()
                    still = RecordedFrame(FrameKind.CHANGES, 0, 0, Consistency.STILL, parts)
                    parent.send_bytes(frame_message.encode(still))
                case _:
                    capture.owe(parent.recv())
