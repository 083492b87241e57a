"""Operating system that lowhalf runs on, as far as it has a way into processes there."""

from __future__ import annotations

import sys

from adapters.sources.process.system import System

__all__ = ["no_way_in", "this_system"]

_MACOS = (
    "has no way into processes on macOS, where only root, or a program that is signed as a "
    "debugger, may ask for another's memory; use push, debugger, shared or folder"
)
"""task_for_pid, and the entitlement com.apple.security.cs.debugger, as Apple documents them."""


def no_way_in() -> str:
    """What there is to say and to do where there is no way into processes."""
    if sys.platform == "darwin":
        return _MACOS
    return "is not on this system yet; use push, shared or debugger"


def this_system() -> System | None:
    """The system that lowhalf runs on; None where it has no way into processes yet."""
    if sys.platform == "linux":
        from adapters.sources.process.linux import Linux

        return Linux()
    if sys.platform == "win32":
        from adapters.sources.process.windows import Windows

        return Windows()
    return None
