"""Whether a file is there, whatever its name: ``pathlib`` raises where none can be called so."""

from __future__ import annotations

from pathlib import Path

__all__ = ["exists", "is_file"]


def is_file(path: Path) -> bool:
    """Whether there is a regular file; false where the name is too long or cannot be one."""
    try:
        return path.is_file()
    except (OSError, ValueError):
        return False


def exists(path: Path) -> bool:
    """Whether there is anything; false where the name is too long or cannot be one."""
    try:
        return path.exists()
    except (OSError, ValueError):
        return False
