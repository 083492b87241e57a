"""Where rows go: standard output and files, each in its form."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, BinaryIO, Self

from adapters.exports.csv_rows import CsvRows
from adapters.exports.json_rows import JsonRows
from adapters.exports.webvtt import WebVtt
from bridge.querying.rows import Rows
from bridge.values.value_type import ValueType
from schemas.errors import OutputError
from schemas.system_words import system_words

if TYPE_CHECKING:
    from adapters.exports.parquet import ParquetFile

__all__ = ["Destinations", "RowFiles", "ShownColumn"]

_OUT = "-"


@dataclass(frozen=True, slots=True)
class ShownColumn:
    """A column: its name, its type and how its values are shown to people."""

    name: str
    type: ValueType
    show: str = ""


@dataclass(frozen=True, slots=True)
class Destinations:
    """Which forms are wanted, and where: CSV may go to standard output (``-``), as JSON does."""

    csv: str | None = None
    json: bool = False
    parquet: Path | None = None
    vtt: Path | None = None


class RowFiles:
    """Writes the rows of one recording after the other; use it as a context manager.

    Files are made with the first recording.  Raises OutputError where one cannot be written.
    """

    def __init__(self, destinations: Destinations, *, several: bool) -> None:
        self._to = destinations
        self._several = several
        self._recording = ""
        self._csv: CsvRows | None = None
        self._json: JsonRows | None = None
        self._vtt: WebVtt | None = None
        self._csv_file: BinaryIO | None = None
        self._vtt_file: BinaryIO | None = None
        self._parquet: ParquetFile | None = None
        self.columns: Sequence[ShownColumn] | None = None

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if self._vtt is not None and self._vtt_file is not None:
            self._write(self._vtt_file, self._vtt.end(), self._to.vtt)
        for stream in (self._csv_file, self._vtt_file):
            if stream is not None and stream is not sys.stdout.buffer:
                stream.close()
        if self._parquet is not None:
            self._parquet.__exit__(kind, error, trace)

    def begin(self, recording: str, columns: Sequence[ShownColumn], first_time: float) -> None:
        """The rows of a recording come, in the same columns as those before."""
        names = [column.name for column in columns]
        self._recording = recording if self._several else ""
        begun, self.columns = self.columns is not None, columns
        if self._to.csv is not None:
            self._csv = CsvRows(names, self._recording)
            if not begun:
                self._csv_file = (
                    sys.stdout.buffer if self._to.csv == _OUT else _opened(Path(self._to.csv))
                )
                self._write(self._csv_file, self._csv.header, self._to.csv)
        if self._to.json:
            self._json = JsonRows(names, self._recording)
        if self._to.vtt is not None and not begun:
            self._vtt = WebVtt(names, [(each.type, each.show) for each in columns], first_time)
            self._vtt_file = _opened(self._to.vtt)
            self._write(self._vtt_file, self._vtt.header, self._to.vtt)
        if self._to.parquet is not None and not begun:
            from adapters.exports.parquet import ParquetFile

            types = [column.type for column in columns]
            self._parquet = ParquetFile(self._to.parquet, names, types, several=self._several)

    def rows(self, rows: Rows) -> None:
        """Rows of the recording that was begun last."""
        if self._csv is not None and self._csv_file is not None:
            self._write(self._csv_file, self._csv.lines(rows), self._to.csv)
        if self._json is not None:
            self._write(sys.stdout.buffer, self._json.lines(rows), _OUT)
        if self._vtt is not None and self._vtt_file is not None:
            self._write(self._vtt_file, self._vtt.cues(rows), self._to.vtt)
        if self._parquet is not None:
            self._parquet.write(rows, self._recording)

    def _write(self, stream: BinaryIO, text: str, path: str | Path | None) -> None:
        data = text.encode("utf-8", "backslashreplace")
        if stream is sys.stdout.buffer:
            # what cannot be written there the command itself is told of
            sys.stdout.flush()
            stream.write(data)
            return
        try:
            stream.write(data)
        except OSError as fault:
            raise _failed(path, fault) from fault


def _opened(path: Path) -> BinaryIO:
    try:
        return path.open("wb")
    except OSError as fault:
        raise _failed(path, fault) from fault


def _failed(path: str | Path | None, fault: OSError) -> OutputError:
    return OutputError(f"{path} cannot be written ({system_words(fault) or fault})", output="query")
