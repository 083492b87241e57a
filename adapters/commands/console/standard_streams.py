"""Standard output and standard error that may be closed, full, or read by nobody any more.

What a command prints is what it is for: where that cannot be written the command ends, and its exit
code says so.  What goes to standard error (the log, the reason of an end) is dropped where it
cannot be written: it never changes what happens.

While a stream stands in for the interpreter's own, a failure is raised once and every later write
goes nowhere, so that the interpreter's flush at its end has nothing to complain of.
"""

from __future__ import annotations

import contextlib
import errno
import io
import os
import sys
from collections.abc import Iterator
from types import TracebackType
from typing import TextIO

from adapters.commands.console.encodings import ESCAPED, QUESTIONED, encoding_of
from adapters.printable import printable_lines
from adapters.system_faults import of_a_write
from schemas.system_words import system_words

__all__ = ["StandardStreams", "styled"]


class _Watched(io.RawIOBase):
    """Writes to *inner* and remembers the first failure; without *inner* everything fails.

    A *forgiving* one raises nothing.
    """

    def __init__(self, inner: io.RawIOBase | None, *, forgiving: bool) -> None:
        super().__init__()
        self.failure: OSError | None = None
        self._inner = inner
        self._forgiving = forgiving

    def write(self, data: object) -> int | None:
        size = memoryview(data).nbytes  # type: ignore[arg-type]  # whatever has a buffer
        if self.failure is not None:
            return size
        try:
            if self._inner is None:
                raise OSError(errno.EBADF, os.strerror(errno.EBADF))
            return self._inner.write(data)  # type: ignore[arg-type]
        except OSError as fault:
            self.failure = of_a_write(fault)
            if self._forgiving:
                return size
            raise self.failure from None

    def writable(self) -> bool:
        return True

    def isatty(self) -> bool:
        return self._inner is not None and self._inner.isatty()

    def fileno(self) -> int:
        if self._inner is None:
            raise io.UnsupportedOperation("fileno")
        return self._inner.fileno()


class _Printable(io.TextIOWrapper):
    """Text whose line feeds are the only characters that steer: whatever else a command prints
    without thought is escaped here.  Not so while it is ``styled``."""

    styled = False

    def write(self, text: str, /) -> int:
        super().write(text if self.styled else printable_lines(text))
        return len(text)


@contextlib.contextmanager
def styled(stream: TextIO) -> Iterator[None]:
    """Control functions of ours go to standard output, and other people's text only if printable.

    The table of ``run`` needs none of this: it writes below the text layer.
    """
    if not isinstance(stream, _Printable):
        yield
        return
    stream.styled = True
    try:
        yield
    finally:
        stream.styled = False


class StandardStreams:
    """While it lasts, ``sys.stdout`` and ``sys.stderr`` are never None and fail as told above, and
    no text that is printed to them steers a terminal, whoever prints it.

    Streams that somebody else has put there, as tests do, are left alone, but for signs that their
    encoding lacks.
    """

    def __init__(self) -> None:
        self._out: _Watched | None = None

    @property
    def failure(self) -> OSError | None:
        """Why standard output could not be written; None where it could."""
        return self._out.failure if self._out is not None else None

    @property
    def complaint(self) -> str:
        """What to tell of the failure; empty where a reader has had enough, which is its right."""
        failure = self.failure
        if failure is None or isinstance(failure, BrokenPipeError):
            return ""
        reason = (system_words(failure) or str(failure)).lower()
        return f"standard output cannot be written: {reason}"

    def __enter__(self) -> StandardStreams:
        self._before: tuple[TextIO, TextIO] = (sys.stdout, sys.stderr)
        if raw := _replaceable(sys.stdout, sys.__stdout__):
            self._out = _Watched(raw[0], forgiving=False)
            sys.stdout = _text(self._out, sys.stdout, errors=QUESTIONED)
        elif isinstance(sys.stdout, io.TextIOWrapper):
            sys.stdout.reconfigure(errors=QUESTIONED)  # a sign that it lacks is to end no command
        if raw := _replaceable(sys.stderr, sys.__stderr__):
            sys.stderr = _text(
                _Watched(raw[0], forgiving=True), sys.stderr, errors=ESCAPED, lines=True
            )
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        fault: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        sys.stdout, sys.stderr = self._before

    def flush(self) -> None:
        """Write what was printed and is still held back; ``failure`` tells of what went wrong."""
        try:
            sys.stdout.flush()
        except OSError:
            if self.failure is None:
                raise


def _replaceable(
    stream: TextIO | None, original: TextIO | None
) -> tuple[io.RawIOBase | None] | None:
    """What is below the interpreter's own *stream* (None: it was closed at the start); None where
    the stream is not the interpreter's own, and not closed either."""
    if stream is None:
        return (None,)
    buffer = getattr(stream, "buffer", None)
    raw = getattr(buffer, "raw", buffer)  # with PYTHONUNBUFFERED there is nothing between
    if stream is not original or not isinstance(raw, io.RawIOBase):
        return None
    stream.flush()
    return (raw,)


def _text(raw: _Watched, like: TextIO | None, *, errors: str, lines: bool = False) -> TextIO:
    return _Printable(
        io.BufferedWriter(raw),
        encoding=encoding_of(like),
        errors=errors,
        line_buffering=lines or bool(getattr(like, "line_buffering", False)),
        write_through=lines or bool(getattr(like, "write_through", False)),
    )
