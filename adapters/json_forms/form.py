"""What all forms of JSON are: objects with the keys that their models name, and no others."""

from __future__ import annotations

from typing import Any

from pydantic import BaseModel, ConfigDict, Field

__all__ = ["Form", "sometimes"]


class Form(BaseModel):
    """An object with these keys and no others."""

    model_config = ConfigDict(extra="forbid", defer_build=True)


def sometimes(description: str = "") -> Any:
    """A key that is not always there."""
    # a factory, since a default would stand in the schema
    return Field(default_factory=lambda: None, description=description or None)
