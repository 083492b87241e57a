"""Rows as an Apache Parquet file, by pyarrow, which is an optional extra: ``lowhalf[parquet]``."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from bridge.querying.rows import Column, Rows
from bridge.values.value_type import Kind, ValueType
from schemas.errors import LowhalfError, OutputError
from schemas.system_words import system_words

__all__ = ["ParquetFile"]


class ParquetFile:
    """A file under way; use it as a context manager.

    Columns are int64 (uint64 of what is stored in 64 bits without a sign), double, bool or string,
    with nulls where there is no value.  *several* adds one with the name of the recording.  Raises
    LowhalfError where pyarrow is not installed, OutputError where the file cannot be written or a
    whole number has more than 64 bits.
    """

    def __init__(
        self, path: Path, names: Sequence[str], types: Sequence[ValueType], *, several: bool = False
    ) -> None:
        try:
            import pyarrow
            import pyarrow.parquet
        except ImportError as fault:
            raise LowhalfError(
                "Parquet needs pyarrow, which is not installed: pip install 'lowhalf[parquet]'"
            ) from fault
        self._path = path
        self._arrow = pyarrow
        fields = [
            ("frame", pyarrow.uint64()),
            ("time", pyarrow.float64()),
            *((name, self._type(kind)) for name, kind in zip(names, types, strict=True)),
        ]
        self._several = several
        if several:
            fields.insert(0, ("recording", pyarrow.string()))
        self._schema = pyarrow.schema(fields)
        try:
            self._writer = pyarrow.parquet.ParquetWriter(
                str(path), self._schema, compression="zstd"
            )
        except OSError as fault:
            raise self._failed(fault) from fault

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        try:
            self._writer.close()
        except OSError as fault:
            raise self._failed(fault) from fault

    def write(self, rows: Rows, recording: str = "") -> None:
        """Some rows more: a row group."""
        arrow = self._arrow
        arrays = [arrow.array(rows.frames, arrow.uint64()), arrow.array(rows.times)]
        if self._several:
            arrays.insert(0, arrow.array([recording] * len(rows)))
        for column, field in zip(rows.columns, list(self._schema)[len(arrays) :], strict=True):
            try:
                arrays.append(self._array(column, field.type))
            except (OverflowError, arrow.ArrowInvalid) as fault:
                raise OutputError(
                    f"{self._path}: a value of {field.name} does not fit {field.type}, the widest "
                    "whole number of Parquet: make it a float, as 1.0 * x",
                    output="parquet",
                ) from fault
        try:
            self._writer.write_table(arrow.Table.from_arrays(arrays, schema=self._schema))
        except OSError as fault:
            raise self._failed(fault) from fault

    def _type(self, kind: ValueType) -> Any:
        arrow = self._arrow
        if kind.kind is Kind.INTEGER:
            return arrow.uint64() if kind.bits == 64 and not kind.signed else arrow.int64()
        types = {
            Kind.FLOAT: arrow.float64(),
            Kind.BOOLEAN: arrow.bool_(),
            Kind.TEXT: arrow.string(),
        }
        return types[kind.kind]

    def _array(self, column: Column, kind: Any) -> Any:
        if column.values.dtype == object or kind == self._arrow.uint64():
            return self._arrow.array(column.given(), kind)
        return self._arrow.array(column.values, kind, mask=~column.there)

    def _failed(self, fault: OSError) -> OutputError:
        return OutputError(
            f"{self._path} cannot be written ({system_words(fault) or fault})", output="parquet"
        )
