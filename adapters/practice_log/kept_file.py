"""The file that one daemon writes, and what is done when it is no longer what was opened.

All of it is in memory as well, so a file that was deleted, damaged or replaced is written anew, as
a whole and beside its place, and then put there.  A file that holds what memory does not hold is
somebody else's, and is left alone: then the new one gets a name beside it.
"""

from __future__ import annotations

import contextlib
import os
import sqlite3
from pathlib import Path

from adapters.practice_log.database import (
    APPLICATION,
    VERSION,
    Database,
    open_as_it_lies,
    open_for_reading,
    open_for_writing,
    wrong,
)
from adapters.practice_log.memory_copy import MemoryCopy
from adapters.practice_log.ownership import Ownership, is_owned
from adapters.practice_log.presence import FINE, Presence, Sign, State, companions
from schemas.errors import OutputError
from schemas.existing import exists

__all__ = ["KeptFile"]

_MAGIC = b"SQLite format 3\0"
_HEADER = 100
_MAX_NAMES = 1000


class KeptFile:
    """The file at *path*, opened or made.  Use it from one thread alone.  Raises OutputError."""

    def __init__(self, path: Path, *, most_pages: int = 0) -> None:
        self.path = path
        self._most_pages = most_pages
        self._owner = Ownership(path)
        try:
            self.database = open_for_writing(path, most_pages=most_pages)
            try:
                self.memory = MemoryCopy(self.database)
            except sqlite3.Error as fault:
                self.database.close()
                raise wrong(path, "cannot be read", fault) from fault
            self._presence = Presence(path)
        except BaseException:
            self._owner.close()
            raise

    @property
    def connection(self) -> sqlite3.Connection:
        return self.database.connection

    def wrote(self) -> None:
        """Something was written by this daemon."""
        self._presence.note()

    def look(self, *, closely: bool = False) -> Sign:
        """Whether it is as it should be; *closely* reads it, too."""
        sign = self._presence.look()
        if sign.state in (State.FINE, State.DOUBTFUL):
            sign = self._hold_on(sign)
        if sign.state is State.DOUBTFUL or (closely and sign is FINE):
            sign = self._read_it()
        return sign

    def restore(self) -> None:
        """Write all of it to a new file in its place, or beside it where that is another's.

        ``path`` is where it is then.  Raises OutputError, sqlite3.Error, OSError; then it can be
        tried again.
        """
        self.path.parent.mkdir(parents=True, exist_ok=True)
        owner, path = self._owner, self.path
        if not owner.holds:
            try:
                owner = Ownership(path)
            except OutputError:
                if not is_owned(path):
                    raise
        if owner is not self._owner:
            self._owner.close()
            self._owner = owner
        if owner.holds and self._may_be_overwritten(path):
            self._put(path, owner)
            return
        path = _name_beside(path)
        owner = Ownership(path)
        try:
            self._put(path, owner)
        except BaseException:
            owner.give_up()
            raise

    def close(self) -> None:
        self.database.close()
        self.memory.close()
        self._owner.close()

    # parts

    def _hold_on(self, sign: Sign) -> Sign:
        """The same sign, with the mark of ownership made again where that was lost."""
        if self._owner.holds:
            return sign
        try:
            owner = Ownership(self.path)
        except OutputError as fault:
            if is_owned(self.path):
                return Sign(State.LOST, "is written by another lowhalf now")
            return Sign(State.CLOSED, str(fault.__cause__ or fault))
        self._owner.close()
        self._owner = owner
        return sign

    def _read_it(self) -> Sign:
        """What others find in it."""
        try:
            lying = open_as_it_lies(self.path)
            try:
                if not self._is_ours(lying):
                    return Sign(State.LOST, "was overwritten")
            finally:
                lying.close()
        except OutputError as fault:
            if not _is_half(fault.__cause__):
                return Sign(State.LOST, "was overwritten")
        except sqlite3.Error:
            """Half of it may be in the log."""
        try:
            found = open_for_reading(self.path)
            try:
                if not self.memory.is_all_in(found.connection):
                    return Sign(State.LOST, "does not hold what was written")
                self.memory.take_notes(found.connection)
            finally:
                found.close()
        except (OutputError, sqlite3.Error) as fault:
            if "locked" in str(fault):
                return FINE  # it is looked at again
            return Sign(State.LOST, "is damaged")
        self._presence.accept()
        return FINE

    def _is_ours(self, database: Database) -> bool:
        """Whether memory holds all that is in a file.  Raises sqlite3.Error."""
        select = database.connection.execute
        if not select("SELECT count(*) FROM sqlite_master").fetchone()[0]:
            return True
        if select("PRAGMA application_id").fetchone()[0] != APPLICATION:
            return False
        return self.memory.has_all_of(database.connection)

    def _may_be_overwritten(self, path: Path) -> bool:
        """Whether nothing is lost with what is there now.  Raises OSError."""
        foreign = any(exists(each) and not self._presence.is_own(each) for each in companions(path))
        if not exists(path):
            return not foreign
        own = self._presence.is_own(path)
        with path.open("rb") as file:
            header = file.read(_HEADER)
        if header[: len(_MAGIC)] != _MAGIC[: len(header)]:
            return False
        if len(header) < _HEADER:
            return own or not header
        version, mark = (int.from_bytes(header[at : at + 4], "big") for at in (60, 68))
        if version > VERSION or mark not in (0, APPLICATION):
            return False
        try:
            found = open_for_reading(path) if foreign and not own else open_as_it_lies(path)
            try:
                return self._is_ours(found)
            finally:
                found.close()
        except (OutputError, sqlite3.Error):
            return own  # what is left of the file that was opened

    def _put(self, path: Path, owner: Ownership) -> None:
        new = path.with_name(f"{path.name}-new")
        for each in (new, new.with_name(f"{new.name}-journal"), *companions(new)):
            each.unlink(missing_ok=True)
        try:
            self.memory.write_to(new)
        except sqlite3.Error:
            with contextlib.suppress(OSError):
                new.unlink(missing_ok=True)
            raise
        if os.name == "nt":  # what is open can be neither deleted nor replaced
            self.database.close()
        elif path != self.path and self._presence.is_own(self.path):
            self._leave()
        # a log that is left would be read into whatever comes in the file's place
        for each in companions(self.path):
            if self._presence.is_own(each):
                each.unlink(missing_ok=True)
        new.replace(path)
        database = open_for_writing(path, most_pages=self._most_pages, going_on=True)
        # SQLite asks whether a file has moved before it writes to it or deletes its log at the end
        self.database.close()
        self.database = database
        if owner is not self._owner:
            self._owner.close()
            self._owner = owner
        self._presence = Presence(path)
        self.path = path

    def _leave(self) -> None:
        """Close without writing: somebody wrote another file over what is open.

        At the end SQLite writes its log into the file, unless its name stands for another file
        then, or for none.
        """
        aside = self.path.with_name(f"{self.path.name}-aside")
        self.path.rename(aside)
        try:
            self.database.close()
        finally:
            aside.rename(self.path)


def _is_half(fault: BaseException | None) -> bool:
    """Whether a file is a database of which something is missing."""
    code = getattr(fault, "sqlite_errorcode", 0)
    return code & 0xFF == sqlite3.SQLITE_CORRUPT


def _name_beside(path: Path) -> Path:
    """A name that nothing has, with a number before its ending."""
    for number in range(2, _MAX_NAMES):
        name = path.with_name(f"{path.stem}-{number}{path.suffix}")
        taken = (name, *companions(name), name.with_name(f"{name.name}-owner"))
        if not any(map(exists, taken)):
            return name
    raise wrong(path, f"has {_MAX_NAMES} files beside it already")
