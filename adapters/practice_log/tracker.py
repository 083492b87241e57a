"""What follows a bridge file's practice, and keeps it where there is something to keep."""

from __future__ import annotations

import logging
from collections.abc import Mapping
from typing import TYPE_CHECKING

if TYPE_CHECKING:  # a bridge without practice needs none of these
    from bridge.ports.clock import Clock
    from bridge.prepared import PreparedBuild
    from bridge.sampling.practice_tracker import PracticeTracker
    from schemas.loader import Bridge

__all__ = ["make_practice_tracker"]


def make_practice_tracker(
    bridge: Bridge,
    prepared_builds: Mapping[str, PreparedBuild],
    log: logging.Logger,
    clock: Clock | None = None,
) -> PracticeTracker | None:
    """What follows the practice; None where the bridge file has nothing to follow.

    Attempts and tallies go to the bridge's SQLite file.  With a *clock* attempts can be counted by
    hand, too.
    """
    from bridge.sampling.practice_tracker import PracticeTracker, Rules

    rules = Rules.of(bridge.file)
    if rules.attempts or any(prepared.tallies for prepared in prepared_builds.values()):
        from adapters.practice_log.writer import SqlitePracticeLog

        return PracticeTracker(rules, SqlitePracticeLog(bridge.attempts_path, log), clock)
    return PracticeTracker(rules) if rules.steps else None
