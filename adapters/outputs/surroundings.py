"""What a bridge file and its daemon give an output besides the output's own settings."""

from __future__ import annotations

import logging
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, TextIO

from bridge.ports.controls import Controls

if TYPE_CHECKING:
    from bridge.ports.clock import Clock
    from bridge.ports.pasts import Pasts
    from bridge.prepared import PreparedBuild
    from bridge.questions.question import Questions
    from schemas.loader import Bridge

__all__ = ["OutputSurroundings", "Read"]

Read = Callable[[], dict[str, Any] | None]
"""Reads something slow, in a thread; None where there is nothing yet.  May raise LowhalfError."""


@dataclass(frozen=True, slots=True)
class OutputSurroundings:
    """The bridge file, and what the program has for outputs.

    ``prepared_builds`` are the builds that may be running, by name, and ``questions`` are those
    that the daemon answers.  ``stream`` is where a table or lines go, by default standard
    output.  ``spare_ports`` are those that pages may take instead of their own, behind
    it.  ``history`` reads what ``lowhalf attempts --json`` prints and ``tallies`` what ``lowhalf
    tally --json`` prints; None without attempts, or without a tally.  ``notice`` gives what there
    is to know of how these are kept.  ``pasts`` are the recordings that pages can look at again.
    ``controls`` are what somebody at the machine may ask of what runs, and ``keyboard`` is where a
    terminal's keys come from; None where they are not lowhalf's.
    """

    bridge: Bridge
    prepared_builds: Mapping[str, PreparedBuild]
    questions: Questions
    log: logging.Logger
    stream: TextIO
    spare_ports: int = 0
    history: Read | None = None
    tallies: Read | None = None
    notice: Callable[[], str] = str
    pasts: Pasts | None = None
    controls: Controls = field(default_factory=Controls)
    keyboard: TextIO | None = None

    @property
    def clock(self) -> Clock:
        """The daemon's clock."""
        return self.questions.clock
