"""A bridge file loaded with every kind of source and output that is installed."""

from __future__ import annotations

from pathlib import Path

from adapters.sessions.followed_plan import followable
from adapters.sessions.kinds import ADDED
from schemas import loader
from schemas.loader import Bridge

__all__ = ["load_bridge"]


def load_bridge(path: Path, *, layouts: bool = True) -> Bridge:
    """Read and check a bridge file, its schema, and the layouts and the plan that it names.

    Raises as :func:`schemas.loader.load_bridge` does.
    """
    return followable(loader.load_bridge(path, layouts=layouts, added=ADDED))
