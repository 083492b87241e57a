"""A library of Windows itself, whose calls ctypes makes."""

from __future__ import annotations

import ctypes
import errno
import os
import sys
from typing import Any

__all__ = ["windows_library"]


def windows_library(name: str) -> Any:
    """The library of that name.  Raises OSError (ENOSYS) on another system."""
    if sys.platform == "win32":
        return ctypes.WinDLL(name, use_last_error=True)
    raise OSError(errno.ENOSYS, os.strerror(errno.ENOSYS))
