"""``lowhalf sources``: every source kind with its settings."""

from __future__ import annotations

import argparse

from pydantic_core import PydanticUndefined

from adapters.printable import printable
from adapters.sources.catalogue import CATALOGUE
from schemas.source_settings import SOURCES
from schemas.table import Table

__all__ = ["add_arguments", "run"]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    del parser  # there is nothing to choose


def run(arguments: argparse.Namespace) -> int:
    """Print lowhalf's own kinds, then those of other packages.  Raises ExtensionError."""
    del arguments
    for kind, model in SOURCES.items():
        _print(kind, model)
    for kind in CATALOGUE.added():
        _print(kind, CATALOGUE.settings(kind))
    return 0


def _print(kind: str, model: type[Table]) -> None:
    print(f'kind = "{kind}"')
    print(f"    {printable(' '.join((model.__doc__ or '').split()))}")
    for name, field in model.model_fields.items():
        if name == "kind":
            continue
        required = field.default is PydanticUndefined
        default = "required" if required else f"else {_toml(field.default)}"
        print(f"    {name}: {printable(field.description or '')} ({default})")
    print()


def _toml(value: object) -> str:
    if value is None:
        return "none"
    if isinstance(value, bool):
        return str(value).lower()
    return f'"{value}"' if isinstance(value, str) else str(value)
