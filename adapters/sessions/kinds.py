"""The kinds of sources and outputs that installed packages add, for loading bridge files."""

from __future__ import annotations

from adapters.outputs.catalogue import CATALOGUE as OUTPUTS
from adapters.sources.catalogue import CATALOGUE as SOURCES
from schemas.bridge_model import AddedKinds

__all__ = ["ADDED"]

ADDED = AddedKinds(SOURCES, OUTPUTS)
