"""Keeps attempts and tallies in an SQLite file, from a thread that no frame waits for.

Each attempt is a transaction when it begins and another when it ends.  Tallies are gathered and
written once a second.  What cannot be written, as when the disk is full, waits and is tried again.
A file that is not what was opened any more is found within a second, and written anew from memory.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import logging
import queue
import sqlite3
import threading
import time
from collections import Counter, deque
from collections.abc import Callable, Sequence
from pathlib import Path

from adapters.practice_log.database import TallyKey, read_attempts, write_attempt, write_tallies
from adapters.practice_log.kept_file import KeptFile
from adapters.practice_log.memory_copy import MemoryCopy
from adapters.practice_log.presence import State
from bridge.ports.practice_log import PracticeLog
from bridge.practice.attempts import Attempt
from bridge.values.value_type import Value
from schemas.errors import OutputError
from schemas.system_words import system_words

__all__ = [
    "FAREWELL",
    "LOOK_EVERY",
    "MAX_WAITING",
    "RETRY_EVERY",
    "TALLIES_EVERY",
    "SqlitePracticeLog",
]

TALLIES_EVERY = 1.0
LOOK_EVERY = 0.4
"""Seconds from one look whether the file is what was opened to the next."""
RETRY_EVERY = 5.0
FAREWELL = 2.0
MAX_WAITING = 10_000
"""Attempts that may wait for a file that cannot be written; the oldest are given up first."""

_DAMAGES = {
    sqlite3.SQLITE_CORRUPT,
    sqlite3.SQLITE_NOTADB,
    sqlite3.SQLITE_IOERR,
    sqlite3.SQLITE_READONLY,
    sqlite3.SQLITE_CANTOPEN,
}
"""What SQLite says where the file may be another than it was."""


class SqlitePracticeLog(PracticeLog):
    """*most_pages* bounds the file's size, in SQLite's pages; 0 does not.

    *retry* is how many seconds pass before a write that failed is tried again.
    """

    def __init__(
        self,
        path: Path,
        log: logging.Logger,
        *,
        most_pages: int = 0,
        retry: float = RETRY_EVERY,
    ) -> None:
        self.path = path
        self._log = log
        self._most_pages = most_pages
        self._retry = retry
        self._jobs: queue.SimpleQueue[Attempt | TallyKey | None] = queue.SimpleQueue()
        self._attempts: deque[Attempt] = deque()
        self._tallies: Counter[TallyKey] = Counter()
        self._given_up = 0
        self._fault = ""
        self._lost = ""
        self._closed = ""
        self._remade = ""
        self._in_memory = 0, 0
        self._again = 0.0
        self._loop: asyncio.AbstractEventLoop | None = None
        self._thread: threading.Thread | None = None
        self._finished = asyncio.Event()

    async def open(self) -> Sequence[Attempt]:
        loop = self._loop = asyncio.get_running_loop()
        opened: asyncio.Future[list[Attempt]] = loop.create_future()
        self._thread = threading.Thread(
            target=self._run, args=(opened,), name="lowhalf-attempts", daemon=True
        )
        self._thread.start()
        return await opened

    def began(self, attempt: Attempt) -> None:
        self._jobs.put(attempt)

    def ended(self, attempt: Attempt) -> None:
        self._jobs.put(attempt)

    def tallied(
        self, expression: str, build: str, value: Value | None, *, whole: bool = True
    ) -> None:
        self._jobs.put((expression, build, json.dumps(value), whole))

    async def close(self) -> None:
        thread = self._thread
        if thread is None:
            return
        self._jobs.put(None)
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(FAREWELL):
                await self._finished.wait()
        attempts, moments = len(self._attempts), self._tallies.total()
        if self._lost:
            attempts, moments = attempts + self._in_memory[0], moments + self._in_memory[1]
        if attempts or moments or not self._finished.is_set():
            self._log.error(
                "attempts: %s: %d attempts and %d tallied moments were not written",
                self.path.name,
                attempts,
                moments,
            )
        elif self._closed:
            self._log.error(
                "attempts: %s: %s, to the end; all was written to the file that was opened",
                self.path.name,
                self._closed,
            )

    # the thread

    def _run(self, opened: asyncio.Future[list[Attempt]]) -> None:
        try:
            file = KeptFile(self.path, most_pages=self._most_pages)
            try:
                history = read_attempts(file.database, running=True)
            except BaseException:
                file.close()
                raise
        except BaseException as fault:
            # the error goes to whoever waits; kept here it would keep this frame alive too
            self._tell(_set_exception, opened, fault)
            self._tell(self._finished.set)
            return
        self._tell(_set_result, opened, history)
        try:
            self._write_until_closed(file)
        except Exception as fault:  # nobody waits for the thread
            what = f"{type(fault).__name__}: {fault}"
            self.notice = f"{file.path.name} is not written any more: {what}"
            self._tell(self._log.error, "attempts: %s", self.notice)
        finally:
            file.close()
            self._tell(self._finished.set)

    def _write_until_closed(self, file: KeptFile) -> None:
        closing, due, look = False, time.monotonic() + TALLIES_EVERY, 0.0
        while not closing:
            closing = self._gather(min(due, look))
            now = time.monotonic()
            if not (now >= look or now >= due or closing or self._attempts):
                continue
            self._look(file)
            look = now + LOOK_EVERY
            if not self._lost:
                if now < due and not closing and (self._fault or not self._attempts):
                    continue
                done = self._write(file, tallies=now >= due or closing)
                if now >= due or not done:
                    due = now + (TALLIES_EVERY if done else self._retry)
                if closing and done:
                    self._look(file, closely=True)
            if self._lost:
                self._keep_in_memory(file.memory)
                if now >= self._again or closing:
                    self._restore(file)

    def _look(self, file: KeptFile, *, closely: bool = False) -> None:
        """See whether the file is what was opened, and log where it cannot be opened now."""
        if self._lost:
            return  # until it is restored
        sign = file.look(closely=closely)
        name, closed = file.path.name, sign.words if sign.state is State.CLOSED else ""
        if sign.state is State.LOST:
            self._lost, self._again = sign.words, 0.0
        elif bool(closed) != bool(self._closed):
            if closed:
                words = "attempts: %s: %s; what comes is written to the file that was opened"
                self._tell(self._log.error, words, name, closed)
            else:
                self._tell(self._log.info, "attempts: %s can be opened again", name)
        self._closed = closed
        self._notice(name)

    def _gather(self, due: float) -> bool:
        """Take what has come, waiting until *due* for the first; true where it was the last."""
        patience = max(0.0, due - time.monotonic())
        while True:
            try:
                job = self._jobs.get(timeout=patience) if patience else self._jobs.get_nowait()
            except queue.Empty:
                return False
            if job is None:
                return True
            patience = 0.0
            if isinstance(job, Attempt):
                self._attempts.append(job)
                if len(self._attempts) > MAX_WAITING:
                    self._attempts.popleft()
                    self._given_up += 1
            else:
                self._tallies[job] += 1

    def _write(self, file: KeptFile, *, tallies: bool) -> bool:
        """Write what waits; false where the file refuses it."""
        connection, memory = file.connection, file.memory
        try:
            while self._attempts:
                if self._has_numbers(lambda one: write_attempt(connection, one)):
                    memory.take(self._attempts[0])
                self._attempts.popleft()
            if tallies and self._tallies:
                write_tallies(connection, self._tallies)
                memory.take_tallies(self._tallies)
                self._tallies.clear()
        except (sqlite3.Error, OSError) as fault:
            if getattr(fault, "sqlite_errorcode", 0) & 0xFF in _DAMAGES:
                self._look(file, closely=True)
            if not self._lost:
                self._say(str(fault))
            return False
        file.wrote()
        self._say("")
        return True

    def _keep_in_memory(self, memory: MemoryCopy) -> None:
        """What waits is in the copy, from which all is written once there is a file again."""
        while self._attempts:
            self._has_numbers(memory.take)
            self._attempts.popleft()
        memory.take_tallies(self._tallies)
        self._tallies.clear()
        self._in_memory = memory.counts

    def _has_numbers(self, write: Callable[[Attempt], None]) -> bool:
        """Write the attempt that waits first; false where SQLite has no such numbers."""
        try:
            write(self._attempts[0])
        except OverflowError as fault:  # SQLite's integers have 64 bits, signed
            number = self._attempts[0].number
            self._tell(self._log.error, "attempts: attempt %d is given up: %s", number, fault)
            return False
        return True

    def _restore(self, file: KeptFile) -> None:
        """Write what is in memory to a new file, or try again later; each is logged once."""
        name, lost, held = file.path.name, self._lost, _words(*self._in_memory)
        try:
            file.restore()
        except (OutputError, sqlite3.Error, OSError) as fault:
            self._again = time.monotonic() + self._retry
            reason = _reason(fault)
            if not self._fault:
                words = "attempts: %s %s, and cannot be written anew: %s; %s wait in memory, "
                words += "trying again"
                self._tell(self._log.error, words, name, lost, reason, held)
            self._fault = reason
            self._notice(name)
            return
        again = bool(self._fault)
        self._lost = self._fault = ""
        self.path = file.path
        if file.path.name != name:
            done = f"{held} are in {file.path.name} now, and what comes as well"
            self._remade = f"{name} {lost} and is not touched, since it is another's; {done}"
        else:
            self._remade = f"{name} {lost}; {held} were written to a new file of that name"
        if again and file.path.name == name:
            words = "attempts: %s is written again, with %s"
            self._tell(self._log.info, words, name, held)
        else:
            self._tell(self._log.warning, "attempts: %s", self._remade)
        self._notice(name)

    def _notice(self, name: str) -> None:
        """What the desk says."""
        held = _words(*self._in_memory)
        if self._lost:
            self.notice = f"{name} {self._lost}; {held} wait in memory: {self._fault}"
        elif self._fault:
            self.notice = f"{name} cannot be written: {self._fault}; attempts wait in memory"
        elif self._closed:
            self.notice = f"{name}: {self._closed}; what comes is written to the file as opened"
        else:
            self.notice = self._remade

    def _say(self, fault: str) -> None:
        """Log a change of what the file lets be written."""
        if bool(fault) == bool(self._fault):
            return
        self._fault = fault
        self._notice(self.path.name)
        if fault:
            words = "%s cannot be written: %s; attempts wait in memory, trying again"
            self._tell(self._log.error, f"attempts: {words}", self.path.name, fault)
        else:
            lost = f"; {self._given_up} were given up" if self._given_up else ""
            self._tell(self._log.info, "attempts: %s is written again%s", self.path.name, lost)
            self._given_up = 0

    def _tell(self, call: Callable[..., object], *arguments: object) -> None:
        """Run something where the daemon runs; the log may draw there."""
        assert self._loop is not None
        with contextlib.suppress(RuntimeError):  # the loop is closed: nobody listens
            self._loop.call_soon_threadsafe(call, *arguments)


def _set_result(future: asyncio.Future[list[Attempt]], result: list[Attempt]) -> None:
    if not future.done():
        future.set_result(result)


def _set_exception(future: asyncio.Future[list[Attempt]], fault: BaseException) -> None:
    if not future.done():
        future.set_exception(fault)


def _words(attempts: int, moments: int) -> str:
    return f"{attempts} attempts and {moments} tallied moments"


def _reason(fault: Exception) -> str:
    """Why, without the names of files: they are in what stands around it."""
    if isinstance(fault, OutputError) and fault.__cause__ is not None:
        return str(fault.__cause__)
    return ((isinstance(fault, OSError) and system_words(fault)) or str(fault)).lower()
