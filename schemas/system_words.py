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

_OF_SOCKETS = {
    10013: "Permission denied",
    10048: "Address already in use",
    10049: "Cannot assign requested address",
    10050: "Network is down",
    10051: "Network is unreachable",
    10053: "Software caused connection abort",
    10054: "Connection reset by peer",
    10060: "Connection timed out",
    10061: "Connection refused",
    10065: "No route to host",
}
"""Windows' sockets have numbers of their own, of which the C library knows none.  Which is which:
"Windows Sockets Error Codes" in Microsoft's reference; the words: those of the GNU C library."""


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
        code = fault.winerror or number or 0
        if code in _OF_SOCKETS:
            return _OF_SOCKETS[code]
        if code > min(_OF_SOCKETS) or (fault.winerror and number == errno.EINVAL):
            return FormatError(code).rstrip(". \r\n")
    return os.strerror(number) if number else ""
