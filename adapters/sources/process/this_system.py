"""Operating system that lowhalf runs on, as far as it has a way into processes there."""

from __future__ import annotations

import sys

from adapters.sources.process.system import System

__all__ = ["this_system"]


def this_system() -> System | None:
    """The system that lowhalf runs on; None where it has no way into processes yet."""
    if sys.platform == "linux":
        from adapters.sources.process.linux import Linux

        return Linux()
    if sys.platform == "win32":
        from adapters.sources.process.windows import Windows

        return Windows()
    return None
