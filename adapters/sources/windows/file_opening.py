"""Opening a file for reading, in such a way that others may do with it what they like."""

from __future__ import annotations

import os
import sys
from pathlib import Path

__all__ = ["HELD_BY_ANOTHER", "open_for_reading"]

HELD_BY_ANOTHER = 32
"""Windows' error where another program has opened a file for itself alone."""


def open_for_reading(path: Path) -> int:
    """A descriptor of a file, for reading only.  Raises OSError.

    Windows by itself would not let the emulator remove a file that is open here.
    """
    if sys.platform == "win32":
        import msvcrt

        from adapters.sources.windows.calls import Calls

        return msvcrt.open_osfhandle(Calls().open_file(str(path)), os.O_RDONLY | os.O_BINARY)
    return os.open(path, os.O_RDONLY)
