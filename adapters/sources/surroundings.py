"""Surroundings of a source: what a bridge file gives it besides its own settings."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from bridge.ports.controls import Controls

if TYPE_CHECKING:
    from bridge.prepared import PreparedBuild
    from schemas.compiler import BuildLayout

__all__ = ["SourceSurroundings"]


@dataclass(frozen=True, slots=True)
class SourceSurroundings:
    """Where the bridge file is, and which games it may find.

    ``directory`` is what paths are relative to, and ``prepared_builds`` are the builds that may be
    running, by name, for a source that must find them by itself.  ``controls`` are what somebody
    at the machine may ask of what runs; None where nobody can.
    """

    directory: Path
    prepared_builds: Mapping[str, PreparedBuild]
    controls: Controls | None = None

    @property
    def layouts(self) -> list[BuildLayout]:
        """Where everything lies in each of the builds."""
        return [prepared.layout for prepared in self.prepared_builds.values()]
