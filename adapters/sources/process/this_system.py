"""Operating system that lowhalf runs on, as far as it has a way into processes there."""

from __future__ import annotations

import sys

from adapters.sources.process.linux import Linux
from adapters.sources.process.system import System

__all__ = ["this_system"]


def this_system() -> System | None:
    """The system that lowhalf runs on; None where it has no way into processes yet."""
    return Linux() if sys.platform == "linux" else None
