"""The tables of the file that keeps attempts and tallies, in this version and from those before.

What a file of an earlier version does not hold is not known of its attempts.  Each version's
further columns stand behind those that were there, so a row is read by the places of its columns.
A step's window is kept with its result, since the bridge file's may be another by the next day:
``verdict`` is null without one, ``since`` and ``outside_by`` are frames.
"""

from __future__ import annotations

import sqlite3

from bridge.practice.attempts import Outcome

__all__ = ["APPLICATION", "RENAMED", "VERSION", "bring_up_to_date", "make_tables"]

VERSION = 4
APPLICATION = 0x4C48_4154
"""Marks the file as ours (``application_id``)."""

_TABLES = """
CREATE TABLE attempt (
    number INTEGER PRIMARY KEY,
    build TEXT NOT NULL,
    began_frame INTEGER NOT NULL,
    began_time REAL NOT NULL,
    outcome TEXT NOT NULL,
    step TEXT NOT NULL,
    reason TEXT NOT NULL,
    frames INTEGER,
    seconds REAL,
    frames_seen INTEGER,
    doubtful INTEGER NOT NULL DEFAULT 0,
    unseen_before INTEGER NOT NULL DEFAULT 0,
    session INTEGER NOT NULL DEFAULT 0,
    by_hand INTEGER NOT NULL DEFAULT 0,
    undone INTEGER NOT NULL DEFAULT 0
);
CREATE TABLE attempt_step (
    attempt INTEGER NOT NULL REFERENCES attempt (number),
    position INTEGER NOT NULL,
    name TEXT NOT NULL,
    outcome TEXT NOT NULL,
    waited INTEGER NOT NULL,
    frames INTEGER NOT NULL,
    seconds REAL NOT NULL,
    frames_seen INTEGER,
    doubtful INTEGER NOT NULL DEFAULT 0,
    too_soon INTEGER NOT NULL DEFAULT 0,
    verdict TEXT,
    outside_by INTEGER,
    since INTEGER,
    window_first INTEGER,
    window_last INTEGER,
    unsure INTEGER,
    PRIMARY KEY (attempt, position)
) WITHOUT ROWID;
CREATE TABLE attempt_kept (
    attempt INTEGER NOT NULL REFERENCES attempt (number),
    position INTEGER NOT NULL,
    watch TEXT NOT NULL,
    status TEXT NOT NULL,
    value TEXT NOT NULL,
    text TEXT NOT NULL,
    PRIMARY KEY (attempt, position)
) WITHOUT ROWID;
CREATE TABLE tally (
    expression TEXT NOT NULL,
    build TEXT NOT NULL,
    value TEXT NOT NULL,
    count INTEGER NOT NULL,
    in_gaps INTEGER NOT NULL DEFAULT 0,
    PRIMARY KEY (expression, build, value)
) WITHOUT ROWID;
"""
_NOTES = """
CREATE TABLE session_note (
    session INTEGER PRIMARY KEY,
    note TEXT NOT NULL
)
"""

_SINCE_VERSION_1 = (
    "ALTER TABLE attempt ADD COLUMN frames_seen INTEGER",
    "ALTER TABLE attempt ADD COLUMN doubtful INTEGER NOT NULL DEFAULT 0",
    "ALTER TABLE attempt ADD COLUMN unseen_before INTEGER NOT NULL DEFAULT 0",
    "ALTER TABLE attempt_step ADD COLUMN frames_seen INTEGER",
    "ALTER TABLE attempt_step ADD COLUMN doubtful INTEGER NOT NULL DEFAULT 0",
    "ALTER TABLE tally ADD COLUMN in_gaps INTEGER NOT NULL DEFAULT 0",
)

_SINCE_VERSION_3 = (
    "ALTER TABLE attempt ADD COLUMN session INTEGER NOT NULL DEFAULT 0",
    "ALTER TABLE attempt ADD COLUMN by_hand INTEGER NOT NULL DEFAULT 0",
    "ALTER TABLE attempt ADD COLUMN undone INTEGER NOT NULL DEFAULT 0",
    "ALTER TABLE attempt_step ADD COLUMN too_soon INTEGER NOT NULL DEFAULT 0",
    "ALTER TABLE attempt_step ADD COLUMN verdict TEXT",
    "ALTER TABLE attempt_step ADD COLUMN outside_by INTEGER",
    "ALTER TABLE attempt_step ADD COLUMN since INTEGER",
    "ALTER TABLE attempt_step ADD COLUMN window_first INTEGER",
    "ALTER TABLE attempt_step ADD COLUMN window_last INTEGER",
    "ALTER TABLE attempt_step ADD COLUMN unsure INTEGER",
    _NOTES,
)

RENAMED = {"reset": Outcome.GIVEN_UP.value}
"""Outcomes of attempts and steps as versions 1 and 2 call them."""


def make_tables(connection: sqlite3.Connection) -> None:
    """Make the tables of this version in a file that has none.  Raises sqlite3.Error."""
    for statement in (*_TABLES.split(";")[:-1], _NOTES):
        connection.execute(statement)
    connection.execute(f"PRAGMA application_id = {APPLICATION}")


def bring_up_to_date(connection: sqlite3.Connection, version: int) -> None:
    """Make the tables of an earlier version those of this.  Raises sqlite3.Error."""
    if version < 2:
        for statement in _SINCE_VERSION_1:
            connection.execute(statement)
    if version < 3:
        for before, now in RENAMED.items():
            for table in ("attempt", "attempt_step"):
                connection.execute(
                    f"UPDATE {table} SET outcome = ? WHERE outcome = ?", (now, before)
                )
    if version < 4:
        for statement in _SINCE_VERSION_3:
            connection.execute(statement)
