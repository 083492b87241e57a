"""``lowhalf attempts``: what attempts gave, from the file in which they are kept."""

from __future__ import annotations

import argparse
from collections.abc import Sequence

from adapters.commands.attempting.choosing import LAST, choose, number_of, session_named, time_since
from adapters.commands.attempting.csv_lines import print_attempts, print_sessions, print_timings
from adapters.commands.attempting.tables import head_lines, list_lines, session_lines, step_lines
from adapters.commands.console.bridge_argument import add_bridge_argument, given_bridge
from adapters.json_forms.attempts import (
    Chosen,
    attempts_json,
    kept_attempts,
    kept_notes,
    last_of,
    whole_ones,
)
from adapters.practice_log.session_notes import write_note
from adapters.printable import json_text, printable
from adapters.words.timings import timing_lines
from bridge.practice.attempts import Attempt
from bridge.practice.sittings import Session, sessions_of
from bridge.practice.timings import timings_of
from schemas.loader import Bridge

__all__ = ["SHOWN", "add_arguments", "run"]

SHOWN = 10


def add_arguments(parser: argparse.ArgumentParser) -> None:
    add_bridge_argument(parser)
    form = parser.add_mutually_exclusive_group()
    form.add_argument("--json", action="store_true", help="print all as one JSON object")
    form.add_argument("--csv", action="store_true", help="print a line of CSV an attempt")
    parser.add_argument(
        "--last",
        type=int,
        metavar="N",
        help=f"list only the last N attempts; totals are of all (the table lists {SHOWN})",
    )
    parser.add_argument(
        "--whole",
        action="store_true",
        help="only attempts of which every frame was seen, in totals as in the list",
    )
    parser.add_argument(
        "--session",
        type=session_named,
        metavar="N",
        help="of one sitting, N or last, beside the totals of all",
    )
    parser.add_argument(
        "--since",
        type=time_since,
        metavar="WHEN",
        help='since a date or time (2026-11-27, 19:30), or an age ("2 h"), beside all',
    )
    what = parser.add_mutually_exclusive_group()
    what.add_argument(
        "--timing",
        action="store_true",
        help="when the steps with a window were done: early, right and late in frames",
    )
    what.add_argument(
        "--sessions", action="store_true", help="each sitting, with its note, and all together"
    )
    what.add_argument(
        "--note",
        metavar="TEXT",
        help="write the note of the last session, or that of --session; an empty one takes it away",
    )


def run(arguments: argparse.Namespace) -> int:
    bridge = given_bridge(arguments)
    if bridge.file.attempts is None:
        raise bridge.text.error(("attempts",), "is missing: it says when an attempt begins")
    attempts, running = kept_attempts(bridge)
    if arguments.note is not None:
        _note(bridge, number_of(attempts, arguments.session or LAST), arguments.note)
        return 0
    left_out = 0
    if arguments.whole:
        left_out, attempts = len(attempts), whole_ones(attempts)
        left_out -= len(attempts)
    notes = kept_notes(bridge)
    chosen = choose(attempts, arguments.session, arguments.since)
    some = attempts if chosen is None else chosen.attempts
    last = arguments.last
    if last is None:
        last = len(some) if arguments.json or arguments.csv else SHOWN
    listed = last_of(some, last)
    sessions = sessions_of(attempts, notes)
    if arguments.json:
        print(
            json_text(
                attempts_json(
                    *(bridge, attempts, listed, running, left_out), notes=notes, chosen=chosen
                )
            )
        )
    elif arguments.csv and arguments.timing:
        print_timings(timings_of(some))
    elif arguments.csv and arguments.sessions:
        print_sessions(attempts, sessions)
    elif arguments.csv:
        print_attempts(attempts, listed)
    else:
        for line in _lines(bridge, attempts, chosen, listed, sessions, left_out, arguments):
            print(line)
    return 0


def _lines(
    bridge: Bridge,
    attempts: Sequence[Attempt],
    chosen: Chosen | None,
    listed: Sequence[Attempt],
    sessions: Sequence[Session],
    left_out: int,
    arguments: argparse.Namespace,
) -> list[str]:
    lines = head_lines(bridge, attempts, chosen, sessions, left_out)
    some = attempts if chosen is None else chosen.attempts
    if arguments.timing:
        parts = [timing_lines(timings) for timings in timings_of(some)]
        parts = parts or [["no step with a window was done in these"]]
    elif arguments.sessions:
        parts = [session_lines(attempts, sessions)]
    else:
        parts = [step_lines(bridge, some), list_lines(bridge, listed)]
    for part in filter(None, parts):
        lines += ["", *part]
    return lines


def _note(bridge: Bridge, session: int, note: str) -> None:
    """Each line of a note is a line of a table: it is one line."""
    note = " ".join(note.split())
    write_note(bridge.attempts_path, session, note)
    print(f"session {session}: {printable(note) if note else 'has no note now'}")
