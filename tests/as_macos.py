"""Plugin of pytest: lowhalf is made to believe that it runs on macOS.

    python -m pytest -p tests.as_macos …

What others bring has looked at the system's name before.  Nothing may be looked up in ``/proc``,
which macOS has not.
"""

from __future__ import annotations

import importlib
import sys

__all__ = ["pytest_configure"]

# what looks at the system's name as it is loaded
OTHERS = (
    *("aiohttp.web", "aiomqtt", "construct", "lz4.frame", "mcap.reader"),
    *("mcap.writer", "pydantic", "rich.live", "serial", "serial.tools.list_ports"),
    *("tree_sitter_toml", "watchfiles", "zstandard", "asyncio", "ctypes.util", "subprocess"),
    *("multiprocessing", "tempfile"),
)


def _no_proc(event: str, arguments: tuple[object, ...]) -> None:
    if event in ("open", "os.listdir", "os.scandir") and str(arguments[0]).startswith("/proc"):
        raise AssertionError(f"{event} of {arguments[0]}, which macOS has not")


def pytest_configure() -> None:
    """From now on, which is before any test is loaded."""
    for name in OTHERS:
        importlib.import_module(name)
    sys.platform = "darwin"
    sys.addaudithook(_no_proc)
