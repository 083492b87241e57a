"""What somebody at the machine may ask of lowhalf while it runs: a key in the terminal, a button on
the desk, a line on standard input.

Who asks knows nothing of who does it: both are handed the same :class:`Controls`.
"""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from bridge.ports.steps import Steps

__all__ = ["Controls"]


@dataclass(slots=True)
class Controls:
    """What can be asked for.

    ``keep`` writes the last minute into a recording of its own and gives words on it for the user;
    it raises OutputError where that cannot be done.  ``steps`` are the frames of a source that
    gives each only when it is asked for.  Each is None where nothing does it.
    """

    keep: Callable[[], Awaitable[str]] | None = None
    steps: Steps | None = None
