"""Keeps attempts and tallies in an SQLite file, from a thread that no frame waits for.

Each attempt is a transaction when it begins and another when it ends.  Tallies are gathered and
written once a second.  What cannot be written, as when the disk is full, waits and is tried again.
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

from adapters.attempts.database import (
    Database,
    TallyKey,
    open_for_writing,
    read_attempts,
    write_attempt,
    write_tallies,
)
from adapters.attempts.ownership import Ownership
from bridge.attempts import Attempt
from bridge.keeper import Keeper
from bridge.values import Value

TALLIES_EVERY = 1.0
RETRY_EVERY = 5.0
FAREWELL = 2.0
MOST_WAITING = 10_000
"""Attempts that may wait for a file that cannot be written; the oldest are given up first."""


class AttemptsFile(Keeper):
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
        if not self._finished.is_set() or self._attempts or self._tallies:
            self._log.error(
                "attempts: %s: %d attempts and %d tallied moments were not written",
                self.path.name,
                len(self._attempts),
                self._tallies.total(),
            )

    # the thread

    def _run(self, opened: asyncio.Future[list[Attempt]]) -> None:
        try:
            owner = Ownership(self.path)
            try:
                database = open_for_writing(self.path, most_pages=self._most_pages)
                history = read_attempts(database, running=True)
            except BaseException:
                owner.close()
                raise
        except BaseException as fault:
            # the error goes to whoever waits; kept here it would keep this frame alive too
            self._tell(_set_exception, opened, fault)
            self._tell(self._finished.set)
            return
        self._tell(_set_result, opened, history)
        try:
            self._write_until_closed(database)
        finally:
            database.close()
            owner.close()
            self._tell(self._finished.set)

    def _write_until_closed(self, database: Database) -> None:
        closing, due = False, time.monotonic() + TALLIES_EVERY
        while not closing:
            closing = self._gather(due)
            now = time.monotonic()
            if now < due and not closing and (self._fault or not self._attempts):
                continue
            done = self._write(database, tallies=now >= due or closing)
            if now >= due or not done:
                due = now + (TALLIES_EVERY if done else self._retry)

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
                if len(self._attempts) > MOST_WAITING:
                    self._attempts.popleft()
                    self._given_up += 1
            else:
                self._tallies[job] += 1

    def _write(self, database: Database, *, tallies: bool) -> bool:
        """Write what waits; false where the file refuses it."""
        try:
            while self._attempts:
                try:
                    write_attempt(database.connection, self._attempts[0])
                except OverflowError as fault:  # SQLite's integers have 64 bits, signed
                    number = self._attempts[0].number
                    words = "attempts: attempt %d is given up: %s"
                    self._tell(self._log.error, words, number, fault)
                self._attempts.popleft()
            if tallies and self._tallies:
                write_tallies(database.connection, self._tallies)
                self._tallies.clear()
        except (sqlite3.Error, OSError) as fault:
            self._say(str(fault))
            return False
        self._say("")
        return True

    def _say(self, fault: str) -> None:
        """Log a change of what the file lets be written."""
        if bool(fault) == bool(self._fault):
            return
        self._fault = fault
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
