"""What the system means by a fault, where Python does not say it.

``asyncio`` and ``socket`` put addresses and words of their own into a fault's text.  What the
system says is had by its number, and Windows' sockets have numbers that the C library does not
know.  Neither does it know of a pipe that nobody reads any more.
"""

from __future__ import annotations

import errno
import os
import sys

__all__ = ["of_a_write", "system_words"]


def system_words(fault: OSError) -> str:
    """What the system calls a fault; "" where it has no number."""
    if sys.platform == "win32":
        from ctypes import FormatError

        number = fault.winerror or fault.errno
        return FormatError(number).rstrip(". \r\n") if number else ""
    return os.strerror(fault.errno) if fault.errno else ""


def of_a_write(fault: OSError, *, windows: bool = sys.platform == "win32") -> OSError:
    """*fault* of writing to a stream; a BrokenPipeError where its reader has closed its end.

    *windows* tells that this is had as EINVAL: its C library has no number for ERROR_NO_DATA.
    """
    if windows and fault.errno == errno.EINVAL:
        return BrokenPipeError(errno.EPIPE, os.strerror(errno.EPIPE))
    return fault
