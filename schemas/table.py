"""The base of every TOML table: unknown keys are errors, values are not converted by guess."""

from __future__ import annotations

from pydantic import BaseModel, ConfigDict


class Table(BaseModel):
    """A TOML table with a fixed set of keys."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)
