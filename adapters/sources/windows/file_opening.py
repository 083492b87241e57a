"""Opening a file for reading, in such a way that others may do with it what they like."""

from __future__ import annotations

import os
import sys
from pathlib import Path
from typing import BinaryIO

from schemas.windows_paths import openable

__all__ = ["open_for_reading", "open_stream"]


def open_for_reading(path: Path) -> int:
    """A descriptor of a file, for reading only.

    Windows by itself would not let others remove or replace a file that is open here.
    Raises OSError; ValueError where the path names no file on Windows.
    """
    path = openable(path)
    if sys.platform == "win32":
        import msvcrt

        from adapters.sources.windows.calls import Calls

        return msvcrt.open_osfhandle(Calls().open_file(str(path)), os.O_RDONLY | os.O_BINARY)
    return os.open(path, os.O_RDONLY)


def open_stream(path: Path) -> BinaryIO:
    """The same as a stream.  Raises OSError, and ValueError, as open_for_reading does."""
    if sys.platform == "win32":
        return os.fdopen(open_for_reading(path), "rb")
    return path.open("rb")
