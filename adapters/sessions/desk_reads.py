"""What the desk page is told of attempts and tallies: the commands' own JSON."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any

from bridge.prepared import PreparedBuild
from schemas.existing import is_file
from schemas.loader import Bridge
from schemas.source_settings import RecordingSource

if TYPE_CHECKING:
    from adapters.json_forms.tallies import Counts

__all__ = ["LAST", "Read", "history_of", "tallies_of"]

LAST = 200
"""Attempts that are listed one by one."""

Read = Callable[[], dict[str, Any] | None]


def history_of(bridge: Bridge) -> Read | None:
    """Reads what ``lowhalf attempts --json --last 200`` prints; None without attempts."""
    if bridge.file.attempts is None:
        return None
    from adapters.json_forms.attempts import attempts_json, kept_attempts, kept_notes, last_of

    def read() -> dict[str, Any] | None:
        if not is_file(bridge.attempts_path):
            return None
        attempts, running = kept_attempts(bridge)
        notes = kept_notes(bridge)
        return attempts_json(bridge, attempts, last_of(attempts, LAST), running, notes=notes)

    return read


def tallies_of(
    bridge: Bridge,
    prepared_builds: Mapping[str, PreparedBuild],
    count: Callable[[], Counts],
) -> Read | None:
    """Reads what ``lowhalf tally --json`` prints; None where the bridge file has no tally.

    *count* counts the bridge's tallies as :func:`~adapters.sessions.tally_count.counted` does.  A
    recording is gone through once: what it gives does not change.
    """
    if not any(prepared.tallies for prepared in prepared_builds.values()):
        return None
    from adapters.json_forms.tallies import tallies_json

    recorded = isinstance(bridge.file.source, RecordingSource)
    kept: list[Counts] = []

    def read() -> dict[str, Any] | None:
        if not recorded and not is_file(bridge.attempts_path):
            return None
        counts = kept[0] if kept else count()
        if recorded and not kept:
            kept.append(counts)
        return tallies_json(counts, prepared_builds)

    return read
