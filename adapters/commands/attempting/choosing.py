"""Which attempts are meant: those of a session, or since a time."""

from __future__ import annotations

import argparse
import datetime as dt
import time
from collections.abc import Sequence
from datetime import datetime, timedelta

from adapters.json_forms.attempts import Chosen
from adapters.printable import printable
from bridge.practice.attempts import Attempt
from schemas.durations import duration
from schemas.errors import LowhalfError

__all__ = ["LAST", "choose", "number_of", "session_named", "time_since"]

LAST = "last"


def session_named(text: str) -> int | str:
    """The argument of ``--session``.  Raises ArgumentTypeError."""
    if text == LAST:
        return LAST
    if not (text.isascii() and text.isdigit() and len(text) < 10 and int(text)):
        raise argparse.ArgumentTypeError(
            f'expected a number from 1 on, or last, found "{printable(text)}"'
        )
    return int(text)


def time_since(text: str) -> float:
    """The argument of ``--since`` in seconds since the Unix epoch.

    A date and time of ISO 8601, this machine's where it names no other; a time alone is the newest
    of that name; an age is a length of time before now.  Raises ArgumentTypeError.
    """
    now = datetime.now().astimezone()
    try:
        return _moment(text.strip(), now).timestamp()
    except (ValueError, OverflowError, OSError):
        pass  # OSError: Windows knows no time of day before 1970
    try:
        age: float = duration(text)
    except ValueError:
        raise argparse.ArgumentTypeError(
            f'expected a date, a time or an age, as 2026-11-27, 2026-11-27T19:30, 19:30 or "2 h", '
            f'found "{printable(text)}"'
        ) from None
    return time.time() - age


def choose(
    attempts: Sequence[Attempt], session: int | str | None, since: float | None
) -> Chosen | None:
    """Those that are meant; None where all are.  Raises LowhalfError."""
    if session is None and since is None:
        return None
    number = None if session is None else number_of(attempts, session)
    return Chosen(
        [
            attempt
            for attempt in attempts
            if (number is None or attempt.session == number)
            and (since is None or attempt.began_time >= since)
        ],
        number,
        since,
    )


def number_of(attempts: Sequence[Attempt], session: int | str) -> int:
    """The number of a session, which is there.  Raises LowhalfError."""
    numbers = {attempt.session for attempt in attempts}
    if not numbers:
        raise LowhalfError("there is no session yet: it begins with its first attempt")
    if session == LAST:
        return max(numbers)
    if session not in numbers:
        known = f"1 to {max(numbers)}" if len(numbers) > 1 else f"session {max(numbers)} alone"
        raise LowhalfError(f"there is no session {session}: there is {known}")
    return int(session)


def _moment(text: str, now: datetime) -> datetime:
    if ":" in text and "-" not in text[:5]:
        found = dt.time.fromisoformat(text)
        if found.tzinfo is not None:
            raise ValueError
        moment = datetime.combine(now.date(), found).astimezone()
        return moment if moment <= now else moment - timedelta(days=1)
    return datetime.fromisoformat(text).astimezone()
