"""The daemon's side of looking again: which pasts there are, and the process that is asked."""

from __future__ import annotations

import asyncio
import contextlib
import itertools
import threading
import time
from collections.abc import Callable
from typing import Any

from adapters.sessions.pasts import catalogue
from adapters.sessions.pasts.bridge_texts import BridgeTexts
from adapters.sessions.pasts.catalogue import KnownPast
from adapters.sessions.pasts.messages import PastAsked, Reply
from adapters.spawned_process import SpawnedProcess
from bridge.ports.pasts import Pasts
from schemas.errors import LowhalfError, NoSuchPast, PastNotReady
from schemas.loader import Bridge
from schemas.system_words import system_words

__all__ = ["IDLE", "MAX_PENDING", "RecordedPasts"]

IDLE = 600.0
"""Seconds without a request after which the process ends; the next request starts it again."""
MAX_PENDING = 64
"""Requests that are under way at a time."""


class RecordedPasts(Pasts):
    """The pasts of a bridge; *work* is what the process does: ``work(pipe, texts)``."""

    def __init__(self, bridge: Bridge, work: Callable[..., None]) -> None:
        self._bridge = bridge
        self._work = work
        self._process: _Asked | None = None
        self._starting = asyncio.Lock()
        self._used = 0.0
        self._idle: asyncio.Task[None] | None = None

    async def listed(self) -> list[dict[str, Any]]:
        found = [known] if (known := catalogue.playing(self._bridge)) else []
        found += await asyncio.to_thread(catalogue.clips, self._bridge)
        return [known.as_json() for known in found]

    async def ask(self, name: str, what: str, **given: Any) -> bytes:
        known = await self._known(name)
        return await self._ask(known, what, given)

    async def beside(self, a: str, b: str, **given: Any) -> bytes:
        known = await self._known(a), await self._known(b)
        given |= {"other": known[1].name, "other_path": known[1].path}
        return await self._ask(known[0], "beside", given)

    async def close(self) -> None:
        if self._idle is not None:
            self._idle.cancel()
            await asyncio.gather(self._idle, return_exceptions=True)
            self._idle = None
        async with self._starting:
            await self._end()

    async def _known(self, name: str) -> KnownPast:
        known = catalogue.playing(self._bridge) if name == "playing" else None
        if known is None and name.startswith("clip-"):
            known = await asyncio.to_thread(catalogue.clip, self._bridge, name)
        if known is None:
            raise NoSuchPast(f"there is nothing recorded with the name {name[:80]}, or no longer")
        return known

    async def _ask(self, known: KnownPast, what: str, given: dict[str, Any]) -> bytes:
        self._used = time.monotonic()
        async with self._starting:
            process = self._process
            if process is None or process.ended:
                await self._end()
                process = self._process = await self._start()
            if self._idle is None:
                self._idle = asyncio.create_task(self._end_where_idle(), name="pasts")
        return await process.ask(known, what, given)

    async def _start(self) -> _Asked:
        texts, loop = BridgeTexts.of(self._bridge), asyncio.get_running_loop()
        try:
            return await asyncio.to_thread(_Asked, self._work, texts, loop)
        except OSError as fault:
            raise PastNotReady(
                f"the process that looks again cannot be started ({system_words(fault) or fault})"
            ) from fault

    async def _end(self) -> None:
        process, self._process = self._process, None
        if process is not None:
            await asyncio.to_thread(process.end)

    async def _end_where_idle(self) -> None:
        while (left := self._used + IDLE - time.monotonic()) > 0:  # noqa: ASYNC110 - time, no event
            await asyncio.sleep(left)
        self._idle = None
        async with self._starting:
            await self._end()


class _Asked:
    """The process, with a thread of ours that takes its answers."""

    def __init__(
        self, work: Callable[..., None], texts: BridgeTexts, loop: asyncio.AbstractEventLoop
    ) -> None:
        self.ended = False
        self._loop = loop
        self._spawned = SpawnedProcess(work, texts)
        self._numbers = itertools.count()
        self._waiting: dict[int, asyncio.Future[Reply]] = {}
        threading.Thread(target=self._listen, name="lowhalf-pasts", daemon=True).start()

    async def ask(self, known: KnownPast, what: str, given: dict[str, Any]) -> bytes:
        if len(self._waiting) >= MAX_PENDING:
            raise PastNotReady(f"{MAX_PENDING} requests are under way; ask again")
        number = next(self._numbers)
        answer: asyncio.Future[Reply] = self._loop.create_future()
        self._waiting[number] = answer
        try:
            self._spawned.pipe.send(PastAsked(number, known.name, known.path, what, given))
            reply = await answer
        except OSError:
            self._gone()
            reply = await answer
        finally:
            self._waiting.pop(number, None)
        match reply.kind:
            case "":
                return reply.body
            case "none":
                raise NoSuchPast(reply.fault)
            case "later":
                raise PastNotReady(reply.fault)
        raise LowhalfError(reply.fault)

    def end(self) -> None:
        self._spawned.end()

    def _listen(self) -> None:
        with contextlib.suppress(EOFError, OSError, RuntimeError):  # the loop may be closed
            while True:
                reply = self._spawned.pipe.recv()
                self._loop.call_soon_threadsafe(self._came, reply)
        with contextlib.suppress(RuntimeError):
            self._loop.call_soon_threadsafe(self._gone)

    def _came(self, reply: Reply) -> None:
        answer = self._waiting.get(reply.number)
        if answer is not None and not answer.done():
            answer.set_result(reply)

    def _gone(self) -> None:
        self.ended = True
        words = "the process that looks again has ended; ask again"
        for number, answer in self._waiting.items():
            if not answer.done():
                answer.set_result(Reply(number, fault=words, kind="later"))
