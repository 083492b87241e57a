"""The schema's ``[moves]``: moves that turn, and the numbers that name an angle16."""

from __future__ import annotations

import keyword
import re
from typing import Annotated, Any

from pydantic import AfterValidator, BeforeValidator, Field, model_validator

from schemas.table import Table

__all__ = ["AngleNumber", "MoveTable", "Moves", "Name"]

_NAME = re.compile(r"[A-Za-z_][A-Za-z0-9_]*")
_ANGLE = re.compile(r"[+-]?(0[xX][0-9A-Fa-f]{1,8}|0|[1-9][0-9]{0,9})")


def _name(value: str) -> str:
    if not _NAME.fullmatch(value):
        raise ValueError(f'expected a name of letters, digits and _, found "{value}"')
    if keyword.iskeyword(value):
        raise ValueError(f'"{value}" is a word of the expression language; choose another name')
    return value


def _angle(value: Any) -> Any:
    """TOML has no sign before 0x, so that an angle may be a text as well."""
    if not isinstance(value, str):
        return value
    if not _ANGLE.fullmatch(value):
        raise ValueError(f'expected an angle such as 0x4000 or "-0x4000", found "{value}"')
    return int(value, 0)


AngleNumber = Annotated[
    int, BeforeValidator(_angle, json_schema_input_type=int | str), Field(ge=-0xFFFF, le=0xFFFF)
]
Name = Annotated[str, AfterValidator(_name)]


class MoveTable(Table):
    """A move that turns: it adds to an angle16, or sets it."""

    add: AngleNumber | None = Field(
        None, description='units that it turns by, 0x10000 a whole turn; also as text, "-0x4000"'
    )
    set: AngleNumber | None = Field(
        None, description="the angle that it faces, whatever was faced before"
    )
    frames: Annotated[int, Field(ge=0, le=1_000_000)] = Field(1, description="frames that it takes")
    limit: Annotated[int, Field(ge=0)] | None = Field(
        None, description="how often it may be used; else without a limit"
    )
    doc: str = Field("", description="what it is")

    @model_validator(mode="after")
    def _one(self) -> MoveTable:
        if (self.add is None) is (self.set is None):
            raise ValueError("expected exactly one of add and set")
        return self


Moves = Annotated[dict[Annotated[str, Field(min_length=1)], MoveTable], Field(max_length=256)]
