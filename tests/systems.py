"""Which system the tests run on: POSIX, Windows, or Windows' calls as Wine answers them."""

from __future__ import annotations

import ctypes
import sys

import pytest

WINDOWS = sys.platform == "win32"


def under_wine() -> bool:
    """Whether these are Wine's libraries, of which one has a function that Windows has not."""
    if sys.platform != "win32":
        return False
    return hasattr(ctypes.WinDLL("ntdll"), "wine_get_version")


def cannot_run_here(item: pytest.Item) -> str:
    """The reason in a test's mark why this system has not what it is about; or ""."""
    marks = [*(["posix"] if WINDOWS else []), *(["wine"] if under_wine() else [])]
    for name in marks:
        for mark in item.iter_markers(name):
            return f"{name}: {mark.args[0]}"
    return ""
