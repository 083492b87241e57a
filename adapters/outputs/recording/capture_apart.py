"""Memory is looked at where it lies, by a process of its own.

To copy RAM out of a file by calls takes twice as long as to compare it, so it is compared in a
mapping.  One who touches a mapping of a file that was cut short is ended by the system (SIGBUS,
mmap(2)), as when an emulator is started again; so that is a process whose end costs nothing but
what it knew.  It ends with the parent, whose end of its pipe is closed then.

    L           look: which frame that was, whether whole, and what is owed where that is little
    T           what is owed
    O, spans    these are owed, too
    S           before one of these: what was sent last is owed no more
"""

from __future__ import annotations

import contextlib
import mmap
import socket
import struct
import subprocess
import sys
from collections.abc import Sequence
from multiprocessing.connection import Connection
from pathlib import Path

from adapters.outputs.recording.capture import Capture, Looked, WholeCapture
from adapters.recordings.changed_lines import Parts
from bridge.memory.address_map import Span
from bridge.ports.bulk_reader import BulkReader

__all__ = ["CaptureApart", "MappedFile", "can_be_apart", "serve"]

_PATIENCE = 5.0
"""Seconds that the process has to end by itself."""
_LEAST = 1 << 20
"""Bytes from which on it is worth a process."""
_LITTLE = 256 << 10
"""Bytes that are sent unasked."""
_SEEN = struct.Struct("<Q???")
_COUNT, _RUN = struct.Struct("<Q"), struct.Struct("<QQ")
_BEGIN = """
import sys
sys.path[:] = sys.argv[3:]
from adapters.outputs.recording.capture_apart import serve
serve(int(sys.argv[1]), int(sys.argv[2]))
"""


def can_be_apart(reader: BulkReader) -> bool:
    """Whether a process of its own may look at what a reader reads."""
    size = sum(span.length for span in reader.spans)
    return sys.platform != "win32" and reader.file is not None and size >= _LEAST


class CaptureApart(Capture):
    """Has a process look, and looks itself once that has ended for whatever reason."""

    def __init__(self, reader: BulkReader, looked: Looked) -> None:
        super().__init__(looked)
        self._reader = reader
        self._process: subprocess.Popen[bytes] | None = None
        self._pipe: Connection | None = None
        self._here: WholeCapture | None = None
        self._sent: memoryview | None = None
        self._taken = False

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
                self._ask(b"L")
                told = memoryview(self._pipe.recv_bytes())
                frame, knows, self._whole, complete = _SEEN.unpack_from(told)
                self._frame = frame if knows else None
                self._sent = told[_SEEN.size :] if complete else None
                return
            except (OSError, EOFError):
                self._end()
                self._here = WholeCapture(self._reader, self._looked)
        self._here.look()
        self._frame, self._whole = self._here.seen

    def take(self) -> Parts | None:
        self._whole = False
        if self._here is not None:
            return self._here.take()
        if self._pipe is None:
            return None
        sent, self._sent = self._sent, None
        if sent is None:
            try:
                self._ask(b"T")
                sent = memoryview(self._pipe.recv_bytes())
            except (OSError, EOFError):
                return None  # the next look finds out, too
        self._taken = True
        return _parts(sent)

    def owe(self, spans: Sequence[Span]) -> None:
        if self._here is not None:
            self._here.owe(spans)
        elif self._pipe is not None:
            # what has ended owes everything
            with contextlib.suppress(OSError):
                self._ask(b"O")
                self._pipe.send(list(spans))

    def close(self) -> None:
        self._end()
        self._reader.close()

    def _ask(self, what: bytes) -> None:
        assert self._pipe is not None
        taken, self._taken, self._sent = self._taken, False, None
        self._pipe.send_bytes(b"S" + what if taken else what)

    def _start(self) -> None:
        file = self._reader.file
        assert file is not None
        ours, theirs = socket.socketpair()
        self._pipe = Connection(ours.detach())
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
        self._pipe.send((file.offset, self._reader.spans[0], self._looked))

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
        self._map = mmap.mmap(
            file, offset - begin + span.length, access=mmap.ACCESS_READ, offset=begin
        )
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
        offset, span, looked = parent.recv()
        capture = WholeCapture(MappedFile(file, offset, span), looked)
        while True:
            words = parent.recv_bytes()
            if words.startswith(b"S"):
                capture.settle()
            if words.endswith(b"L"):
                capture.look()
                frame, whole = capture.seen
                little = whole and capture.owed_size <= _LITTLE
                seen = _SEEN.pack(frame or 0, frame is not None, whole, little)
                parent.send_bytes(seen + _owed(capture) if little else seen)
            elif words.endswith(b"T"):
                parent.send_bytes(_owed(capture))
            else:
                capture.owe(parent.recv())


def _owed(capture: WholeCapture) -> bytes:
    """How many runs there are, address and length of each, and the bytes of all."""
    parts = capture.owed()
    table = b"".join(_RUN.pack(span.address, span.length) for span, _ in parts)
    return b"".join((_COUNT.pack(len(parts)), table, *(data for _, data in parts)))


def _parts(sent: memoryview) -> Parts:
    (count,) = _COUNT.unpack_from(sent)
    at = _COUNT.size + count * _RUN.size
    parts = []
    for address, length in _RUN.iter_unpack(sent[_COUNT.size : at]):
        parts.append((Span(address, length), sent[at : at + length]))
        at += length
    return parts
