"""What the system calls a fault, whichever system it is."""

from __future__ import annotations

import errno
import os
import sys
from pathlib import Path

__all__ = ["HELD_BY_ANOTHER", "HELD_WORDS", "is_held", "system_words"]

HELD_BY_ANOTHER = 32
"""Windows' error where another program has opened a file for itself alone."""
HELD_WORDS = "is held by a program that lets no other read it"

_SOCKETS = 10_000
"""Windows' sockets count their faults from here, and the C library knows none of them."""


def is_held(fault: BaseException) -> bool:
    """Whether a fault is that another program has opened a file for itself alone."""
    return getattr(fault, "winerror", None) == HELD_BY_ANOTHER


def system_words(fault: OSError) -> str:
    """What the system calls a fault; "" where it has no number.

    ``strerror`` may hold addresses, what was between the system and us has to say, and on Windows
    another language than ours.  So these are the C library's words, which are the same everywhere,
    and Windows' own where that has none: Python makes EINVAL of each number that it does not know.
    """
    number = fault.errno
    if sys.platform == "win32":
        from ctypes import FormatError

        if number == errno.EACCES and not fault.winerror and Path(str(fault.filename)).is_dir():
            number = errno.EISDIR  # the C library there says that it may not be opened
        code = fault.winerror or number
        if code and ((number or 0) > _SOCKETS or (fault.winerror and number == errno.EINVAL)):
            return FormatError(code).rstrip(". \r\n")
    return os.strerror(number) if number else ""
