"""Whether a file is there, whatever its name: ``pathlib`` raises where none can be called so."""

from __future__ import annotations

from pathlib import Path

from schemas.windows_paths import openable

__all__ = ["exists", "is_directory", "is_file"]


def is_file(path: Path) -> bool:
    """Whether there is a regular file; false where the name is too long or cannot be one."""
    try:
        return openable(path, drive_relative=True).is_file()
    except (OSError, ValueError):
        return False


def exists(path: Path) -> bool:
    """Whether there is anything; false where the name is too long or cannot be one."""
    try:
        return openable(path, drive_relative=True).exists()
    except (OSError, ValueError):
        return False


def is_directory(path: Path) -> bool:
    """Whether there is a folder; false where the name is too long or cannot be one."""
    try:
        return openable(path, drive_relative=True).is_dir()
    except (OSError, ValueError):
        return False
