"""One frame of a source as commands take it: until a signal stops them, with notes on the console.

:mod:`adapters.sessions.one_frame` says what is taken and what is raised.
"""

from __future__ import annotations

from collections.abc import Mapping

from adapters.commands.console.telling import tell
from adapters.commands.console.until_stopped import run_until_stopped
from adapters.sessions import one_frame
from bridge.heap.blocks import Heap
from bridge.prepared import PreparedBuild
from bridge.readings.frame import Frame
from schemas.loader import Bridge

__all__ = ["take_frame", "take_heap"]


def take_frame(
    bridge: Bridge,
    prepared_builds: Mapping[str, PreparedBuild],
    wait: float,
    number: int | None = None,
) -> Frame:
    """One frame.  Raises SourceError and its leaves, and Stopped."""
    return run_until_stopped(one_frame.take_frame(bridge, prepared_builds, wait, number, tell=tell))


def take_heap(
    bridge: Bridge,
    prepared_builds: Mapping[str, PreparedBuild],
    wait: float,
    number: int | None = None,
) -> tuple[Frame, Heap]:
    """One frame that has the heap.  Raises SourceError and its leaves, SchemaError and Stopped."""
    return run_until_stopped(one_frame.take_heap(bridge, prepared_builds, wait, number, tell=tell))
