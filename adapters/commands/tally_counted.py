"""What a count of tallies gives."""

from __future__ import annotations

from dataclasses import dataclass, field

from adapters.attempts.tallies_json import Counts


@dataclass(frozen=True)
class Counted:
    """What was counted; ``words`` are for the user: of files of which not all could be counted.

    ``failed`` says how many could not be read to their end for another reason than being cut off.
    """

    counts: Counts
    words: list[str] = field(default_factory=list)
    failed: int = 0
