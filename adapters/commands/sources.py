"""``lowhalf sources``: every source kind with its settings."""

from __future__ import annotations

import argparse
import typing

from pydantic import BaseModel
from pydantic_core import PydanticUndefined

from schemas.source_settings import AnySource


def add_arguments(parser: argparse.ArgumentParser) -> None:
    del parser  # there is nothing to choose


def models() -> list[type[BaseModel]]:
    """The settings model of every kind."""
    return list(typing.get_args(typing.get_args(AnySource)[0]))


def run(arguments: argparse.Namespace) -> int:
    del arguments
    for model in models():
        (kind,) = typing.get_args(model.model_fields["kind"].annotation)
        print(f'kind = "{kind}"')
        print(f"    {' '.join((model.__doc__ or '').split())}")
        for name, field in model.model_fields.items():
            if name == "kind":
                continue
            required = field.default is PydanticUndefined
            default = "required" if required else f"else {_toml(field.default)}"
            print(f"    {name}: {field.description} ({default})")
        print()
    return 0


def _toml(value: object) -> str:
    if value is None:
        return "none"
    if isinstance(value, bool):
        return str(value).lower()
    return f'"{value}"' if isinstance(value, str) else str(value)
