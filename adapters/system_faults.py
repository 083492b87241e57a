"""What the system means by a fault, where Python does not say it."""

from __future__ import annotations

import errno
import os
import sys

__all__ = ["of_a_write"]


def of_a_write(fault: OSError, *, windows: bool = sys.platform == "win32") -> OSError:
    """*fault* of writing to a stream; a BrokenPipeError where its reader has closed its end.

    *windows* tells that this is had as EINVAL: its C library has no number for ERROR_NO_DATA.
    """
    if windows and fault.errno == errno.EINVAL:
        return BrokenPipeError(errno.EPIPE, os.strerror(errno.EPIPE))
    return fault
