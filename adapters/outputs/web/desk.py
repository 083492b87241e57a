"""What the desk page's server is given of the rest of the program."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from adapters.outputs.surroundings import Read
from bridge.ports.controls import Controls
from bridge.ports.pasts import Pasts
from bridge.prepared import PreparedBuild
from bridge.questions.question import Questions
from schemas.compiler import Schema

__all__ = ["Desk"]


@dataclass(frozen=True, slots=True)
class Desk:
    """What the desk page shows beside the frames, and what answers its questions.

    ``prepared_builds`` are the builds that may be running, and ``questions`` are those that the
    daemon answers.  ``history`` reads what ``lowhalf attempts --json`` prints and ``tallies`` what
    ``lowhalf tally --json`` prints; None without attempts, or without a tally.  ``notice`` gives
    what there is to know of how these are kept.  ``pasts`` are the recordings that can be looked at
    again; None without any.  ``controls`` are what can be asked of what runs.
    """

    schema: Schema
    prepared_builds: Mapping[str, PreparedBuild]
    questions: Questions
    history: Read | None = None
    tallies: Read | None = None
    notice: Callable[[], str] = str
    pasts: Pasts | None = None
    controls: Controls = field(default_factory=Controls)

    def prepared(self, build: str) -> PreparedBuild:
        """The running build; the first where none is known."""
        return self.prepared_builds.get(build) or next(iter(self.prepared_builds.values()))

    @property
    def describes_heap(self) -> bool:
        """Whether the schema says what the heap is."""
        return any(prepared.program.heaps for prepared in self.prepared_builds.values())
