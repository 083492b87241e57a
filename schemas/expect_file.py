"""The file of expectations, ``NAME.expect.toml``: what watches should give in kept memory."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from pydantic import Field, model_validator

from schemas.bridge_file import Number, Plain
from schemas.errors import ExpectFileError, FileError
from schemas.table import Table
from schemas.toml_file import TomlText
from schemas.toml_lines import Key, lines_of

__all__ = [
    "ENDING",
    "ExpectFile",
    "ExpectTable",
    "Expectations",
    "MomentTable",
    "StatusName",
    "load_expectations",
]

ENDING = ".expect.toml"

# fmt: off
StatusName = Literal[
    "ok", "null", "unmapped", "misaligned", "waiting", "error",
    "freed", "header", "between", "changed", "damaged",
]
# fmt: on
"""The statuses that a frame of a dump or a recording can give."""

_WITHOUT_VALUE = ("null", "unmapped", "misaligned", "waiting", "error")


class ExpectTable(Table):
    """What one watch or expression should give in a moment.

    Its status must be as it says, ok where it says nothing; beside that its value or its text, or a
    range.
    """

    watch: str = Field("", description="the name of a watch of the bridge file")
    expr: str = Field("", description="or an expression of its own, which may use the watches")
    value: Plain | None = Field(
        None, description="exactly this value; an enumeration's may be given by name"
    )
    between: tuple[Number, Number] | None = Field(
        None, strict=False, description="lowest and highest value, both as expected"
    )
    near: Number | None = Field(None, description="this value, give or take")
    within: Number | None = Field(None, description="how far from near is as expected")
    text: str | None = Field(None, description="what is shown of the value, with the watch's show")
    status: StatusName | None = Field(
        None, description="ok where it is left out: null, freed, waiting and the others"
    )

    @property
    def expression(self) -> str:
        """What is asked of a frame."""
        return self.watch or self.expr

    @model_validator(mode="after")
    def _one(self) -> ExpectTable:
        if bool(self.watch) is bool(self.expr):
            raise ValueError("expected one of watch and expr")
        ranges = [self.value, self.between, self.near]
        if ranges.count(None) < 2:
            raise ValueError("expected at most one of value, between and near")
        if (self.near is None) is not (self.within is None):
            raise ValueError("near and within go together")
        nothing = ranges.count(None) == 3 and self.text is None
        if nothing and self.status is None:
            raise ValueError("expected value, between, near, text or status")
        if not nothing and self.status in _WITHOUT_VALUE:
            raise ValueError(f"a reading that is {self.status} has no value to compare")
        return self


class MomentTable(Table):
    """A dump, or one frame of a recording, and what is expected in it."""

    dump: str = Field("", description="a dump, relative to this file")
    recording: str = Field("", description="or a recording, with frame or first")
    frame: int | None = Field(None, description="the frame that the game counts as this")
    first: str = Field("", description="or the first frame in which this expression is true")
    expect: tuple[ExpectTable, ...] = Field(
        strict=False, min_length=1, description="what is expected, a line each"
    )

    @model_validator(mode="after")
    def _one(self) -> MomentTable:
        if bool(self.dump) is bool(self.recording):
            raise ValueError("expected one of dump and recording")
        if self.dump and (self.frame is not None or self.first):
            raise ValueError("frame and first are for recordings, a dump is one moment")
        if self.recording and (self.frame is None) is (not self.first):
            raise ValueError("expected one of frame and first beside recording")
        return self

    @property
    def name(self) -> str:
        """The moment for people: ``lap.mcap, frame 741``."""
        if self.dump:
            return self.dump
        which = f"first {self.first}" if self.first else f"frame {self.frame}"
        return f"{self.recording}, {which}"


class ExpectFile(Table):
    """The file's moments, and the bridge file whose watches they are about."""

    bridge: str = Field(min_length=1, description="the bridge file, relative to this file")
    moments: tuple[MomentTable, ...] = Field(
        strict=False, min_length=1, description="the moments that are looked at"
    )


@dataclass(frozen=True, slots=True)
class Expectations:
    """A file of expectations, and its text for errors and lines."""

    file: ExpectFile
    text: TomlText

    @property
    def path(self) -> Path:
        return self.text.path

    def error(self, path: tuple[Key, ...], message: str) -> FileError:
        """The error of a key, with its line."""
        return self.text.error(path, message)

    @property
    def directory(self) -> Path:
        """What the paths in the file are relative to."""
        return self.path.parent

    def lines(self) -> list[list[int]]:
        """The line of each expectation of each moment."""
        lines = lines_of(self.text.text)
        return [
            [lines.get(("moments", i, "expect", j), 0) for j in range(len(moment.expect))]
            for i, moment in enumerate(self.file.moments)
        ]


def load_expectations(path: Path) -> Expectations:
    """Read and check a file of expectations.  Raises ExpectFileError with file, key and line."""
    text = TomlText.read(path, ExpectFileError)
    return Expectations(text.model(ExpectFile), text)
