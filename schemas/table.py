"""The base of every TOML table: unknown keys are errors, values are not converted by guess."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, ClassVar

from pydantic import BaseModel, ConfigDict

__all__ = ["Table", "shown"]


class Table(BaseModel):
    """A TOML table with a fixed set of keys."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, defer_build=True)

    renamed: ClassVar[Mapping[str, str]] = {}
    """Keys by which earlier versions of lowhalf knew others, with the names of today."""


def shown(found: Any) -> str:
    """What was found, as a message shows it."""
    if isinstance(found, str):
        return f'"{found}"'
    if isinstance(found, bool):
        return str(found).lower()
    if isinstance(found, dict):
        return "a table"
    if isinstance(found, list | tuple):
        return f"an array of {len(found)}"
    return str(found)
