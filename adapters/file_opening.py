"""Opening a file for reading, in such a way that others may do with it what they like."""

from __future__ import annotations

import ctypes
import os
import stat
import sys
from ctypes import c_uint32, c_void_p, c_wchar_p
from pathlib import Path
from typing import BinaryIO

from adapters.windows_library import windows_library
from schemas.windows_paths import openable

__all__ = ["OPEN_EXISTING", "READ", "SHARE_ALL", "may_wait", "open_for_reading", "open_stream"]

READ = 0x80000000
"""GENERIC_READ."""
SHARE_ALL = 0x7
"""FILE_SHARE_READ, WRITE and DELETE."""
OPEN_EXISTING = 3


def open_for_reading(path: Path) -> int:
    """A descriptor of a file, for reading only.

    Windows by itself would not let others remove or replace a file that is open here.
    Raises OSError; ValueError where the path names no file on Windows.
    """
    path = openable(path)
    if sys.platform == "win32":
        import msvcrt

        return msvcrt.open_osfhandle(_handle(str(path)), os.O_RDONLY | os.O_BINARY)
    return os.open(path, os.O_RDONLY)


def open_stream(path: Path) -> BinaryIO:
    """The same as a stream.  Raises OSError, and ValueError, as open_for_reading does."""
    if sys.platform == "win32":
        return os.fdopen(open_for_reading(path), "rb")
    return path.open("rb")


def may_wait(path: Path) -> bool:
    """Whether opening might wait for somebody who writes, as of a pipe, or reading never end.

    Raises as open_for_reading does.
    """
    mode = openable(path).stat().st_mode
    return not (stat.S_ISREG(mode) or stat.S_ISDIR(mode))


def _handle(path: str) -> int:
    """By CreateFileW, as documented in the Win32 API reference.  Raises OSError."""
    if sys.platform != "win32":
        raise OSError(path)
    create = windows_library("kernel32").CreateFileW
    create.restype = c_void_p
    create.argtypes = (c_wchar_p, c_uint32, c_uint32, c_void_p, c_uint32, c_uint32, c_void_p)
    handle = create(path, READ, SHARE_ALL, None, OPEN_EXISTING, 0, None)
    if handle == c_void_p(-1).value:
        raise ctypes.WinError(ctypes.get_last_error())
    return int(handle)
