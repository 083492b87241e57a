"""The bridge file's model together with the kinds that other packages add."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from typing import Annotated, Any, Literal, Protocol, Union

from pydantic import Field, create_model

from schemas.bridge_file import BridgeFile
from schemas.output_settings import OUTPUTS, Outputs
from schemas.source_settings import SOURCES, SourceSettings
from schemas.table import Table

__all__ = ["AddedKinds", "AddedSettings", "bridge_model", "whole_bridge_model", "with_kinds"]


class AddedSettings(Protocol):
    """The settings of sources, or of outputs, that other packages add."""

    def added(self) -> Collection[str]:
        """The kinds, sorted; nothing is imported.  Raises ExtensionError for one that is taken."""

    def settings(self, kind: str) -> type[Table]:
        """The model of one of them.  Raises ExtensionError where it cannot be used."""


@dataclass(frozen=True, slots=True)
class AddedKinds:
    """Where the kinds that other packages add are looked up.

    That is done only for a bridge file that names a kind which is not lowhalf's own.
    """

    sources: AddedSettings
    outputs: AddedSettings


def bridge_model(added: AddedKinds, table: Mapping[str, Any]) -> type[BridgeFile]:
    """The model that *table*, a bridge file's content, is to be validated by.

    It has the settings of the added kinds that the file names, and the names alone of the others,
    since a message lists them.  Raises ExtensionError.
    """
    source, outputs = table.get("source"), table.get("outputs")
    kind = source.get("kind") if isinstance(source, dict) else None
    sources = {kind} - set(SOURCES) if isinstance(kind, str) else set()
    sent = set(outputs) - set(OUTPUTS) if isinstance(outputs, dict) else set()
    if not sources and not sent:
        return BridgeFile
    return with_kinds(
        {
            name: added.sources.settings(name) if name in sources else _named(name)
            for name in added.sources.added()
        },
        {
            name: added.outputs.settings(name) if name in sent else Table
            for name in added.outputs.added()
        },
    )


def whole_bridge_model(added: AddedKinds) -> type[BridgeFile]:
    """The model with every kind that is installed.  Raises ExtensionError."""
    return with_kinds(
        {name: added.sources.settings(name) for name in added.sources.added()},
        {name: added.outputs.settings(name) for name in added.outputs.added()},
    )


def with_kinds(
    sources: Mapping[str, type[Table]], outputs: Mapping[str, type[Table]]
) -> type[BridgeFile]:
    """BridgeFile with further settings of sources and outputs, by their kinds."""
    if not sources and not outputs:
        return BridgeFile
    every: Any = Union[(*SOURCES.values(), *sources.values())]
    fields: dict[str, Any] = {
        f"added_{number}": (model | None, Field(None, alias=name, description=_about(model)))
        for number, (name, model) in enumerate(outputs.items())
    }
    all_outputs = create_model("Outputs", __base__=Outputs, __doc__=Outputs.__doc__, **fields)
    whole: dict[str, Any] = {
        "source": (Annotated[every, Field(discriminator="kind")], ...),
        "outputs": (all_outputs, Field(default_factory=all_outputs)),
    }
    return create_model("BridgeFile", __base__=BridgeFile, __doc__=BridgeFile.__doc__, **whole)


def _named(kind: str) -> type[SourceSettings]:
    """The name of a kind of source, without its settings."""
    fields: dict[str, Any] = {"kind": (Literal[kind], ...)}
    return create_model(kind, __base__=SourceSettings, **fields)


def _about(model: type[Table]) -> str:
    """The first line of a model's docstring."""
    return (model.__doc__ or "").strip().partition("\n")[0]
