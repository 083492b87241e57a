"""The daemon's side of looking again: which pasts there are, and the process that is asked."""

from __future__ import annotations

import asyncio
import contextlib
import itertools
import shutil
import threading
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any, Protocol

from adapters.sessions.pasts import catalogue
from adapters.sessions.pasts.bridge_texts import BridgeTexts
from adapters.sessions.pasts.catalogue import KnownPast
from adapters.sessions.pasts.messages import PastAsked, Reply
from adapters.spawned_process import SpawnedProcess
from bridge.ports.pasts import Pasts
from schemas.errors import LowhalfError, NoSuchPast, OutputError, PastNotReady
from schemas.loader import Bridge
from schemas.system_words import system_words

__all__ = ["HELD", "HELD_FOR", "IDLE", "MAX_PENDING", "RecordedPasts", "RollingKept"]

HELD = "lowhalf-looked-at"
"""How what is held of the last minutes is called on the disk."""
_MAX_HELD = 3
"""How often that is held at a time; of more, what was asked for longest ago goes."""
_MINUTE = 60.0
HELD_FOR = 60.0
"""Seconds for which that stays when nobody asks for it any more."""
IDLE = 600.0
"""Seconds without a request after which the process ends; the next request starts it again."""
MAX_PENDING = 64
"""Requests that are under way at a time."""


class RollingKept(Protocol):
    """What keeps the last minutes of a game."""

    @property
    def kept_seconds(self) -> float | None:
        """How much it keeps; None where it keeps nothing now."""

    async def hold(self, name: str, seconds: float | None) -> tuple[Path, list[Path]]:
        """What is kept now: a new folder that begins with *name*, and recordings in it, in order.

        With *seconds* at least as much of what came last, rather than all.
        Raises OutputError.
        """


class RecordedPasts(Pasts):
    """The pasts of a bridge; *work* is what the process does: ``work(pipe, texts)``.

    *rolling* gives what keeps the last minutes, None where nothing does.  What is opened of that is
    held for *held_for* seconds after it was last asked for, and the process ends after *idle*.
    Whoever opens the last minutes again gets those that are the last then, under another name.
    """

    def __init__(
        self,
        bridge: Bridge,
        work: Callable[..., None],
        rolling: Callable[[], RollingKept | None] = lambda: None,
        *,
        held_for: float = HELD_FOR,
        idle: float = IDLE,
    ) -> None:
        self._bridge = bridge
        self._work = work
        self._rolling = rolling
        self._held_for, self._idle = held_for, idle
        self._process: _Asked | None = None
        self._starting = asyncio.Lock()
        self._holding = asyncio.Lock()
        self._held: dict[str, KnownPast] = {}  # what was asked for last comes last
        self._held_count = 0
        self._held_used: dict[str, float] = {}
        self._used = 0.0
        self._under_way = 0
        self._tidying: asyncio.Task[None] | None = None

    async def listed(self) -> list[dict[str, Any]]:
        found = [known] if (known := catalogue.playing(self._bridge)) else []
        found += self._rolling_now()
        found += await asyncio.to_thread(catalogue.clips, self._bridge)
        return [known.as_json() for known in found]

    async def ask(self, name: str, what: str, **given: Any) -> bytes:
        known = await self._known(name)
        return await self._ask(known, what, given)

    async def beside(self, a: str, b: str, **given: Any) -> bytes:
        known, other = await self._known(a), await self._known(b)
        given["other"] = other.name, other.path, other.sources
        return await self._ask(known, "beside", given)

    async def close(self) -> None:
        tidying, self._tidying = self._tidying, None
        if tidying is not None:
            tidying.cancel()
            await asyncio.gather(tidying, return_exceptions=True)
        async with self._starting:
            await self._end()
        for name in [*self._held]:
            await self._let_go(name)

    # which there are

    async def _known(self, name: str) -> KnownPast:
        known = catalogue.playing(self._bridge) if name == "playing" else None
        if name.startswith("clip-"):
            known = await asyncio.to_thread(catalogue.clip, self._bridge, name)
        elif name.startswith("rolling-"):
            known = await self._held_as(name)
        if known is None:
            raise NoSuchPast(f"there is nothing recorded with the name {name[:80]}, or no longer")
        return known

    def _rolling_now(self) -> list[KnownPast]:
        """The last minutes, of which nothing is held yet; where they are many, the last apart."""
        rolling = self._rolling()
        seconds = None if rolling is None else rolling.kept_seconds
        if seconds is None:
            return []
        length = f"{seconds / 60:g} min" if seconds >= 120 else f"{seconds:g} s"
        name = f"rolling-{self._held_count + 1}"
        found = [KnownPast(name, "rolling", f"the last {length}", Path())]
        if seconds > 2 * _MINUTE:
            minute = "at least the last minute"
            found.append(KnownPast(f"{name}-minute", "rolling", minute, Path(), seconds=_MINUTE))
        return found

    async def _held_as(self, name: str) -> KnownPast | None:
        async with self._holding:
            known, rolling = self._rolling_now(), self._rolling()
            if name not in self._held and rolling is not None and known:
                now = next((each for each in known if each.name == name), None)
                if now is None:
                    return None
                try:
                    folder, sources = await rolling.hold(f".{HELD}-", now.seconds)
                except (OutputError, TimeoutError) as fault:
                    raise PastNotReady(str(fault) or "the disk is too slow; ask again") from fault
                self._held_count += 1
                path = folder / f"{HELD}.mcap"
                self._held[name] = replace(now, path=path, sources=tuple(sources))
            if (held := self._held.pop(name, None)) is not None:
                self._held[name] = held
                self._held_used[name] = time.monotonic()
            surplus = [*self._held][:-_MAX_HELD]
        for each in surplus:
            await self._let_go(each)
        return held

    # the process

    async def _ask(self, known: KnownPast, what: str, given: dict[str, Any]) -> bytes:
        self._under_way += 1
        try:
            async with self._starting:
                process = self._process
                if process is None or process.ended:
                    await self._end()
                    process = self._process = await self._start()
                if self._tidying is None:
                    self._tidying = asyncio.create_task(self._tidy(), name="pasts")
            return await process.ask(known, what, given)
        finally:
            self._under_way -= 1
            self._used = time.monotonic()
            if known.name in self._held_used:
                self._held_used[known.name] = self._used

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

    async def _tidy(self) -> None:
        while True:
            await asyncio.sleep(min(self._held_for, self._idle) / 10)
            if self._under_way:
                continue
            now = time.monotonic()
            for name in [*self._held]:
                if now > self._held_used.get(name, now) + self._held_for:
                    await self._let_go(name)
            if self._process is not None and now > self._used + self._idle:
                async with self._starting:
                    await self._end()

    async def _let_go(self, name: str) -> None:
        """What was held of the last minutes goes."""
        async with self._holding:
            held = self._held.pop(name, None)
            self._held_used.pop(name, None)
            if held is None:
                return
            if self._process is not None and not self._process.ended:
                with contextlib.suppress(LowhalfError):
                    await self._process.ask(held, "close", {})
            await asyncio.to_thread(shutil.rmtree, held.path.parent, ignore_errors=True)


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
            asked = PastAsked(number, known.name, known.path, what, given, known.sources)
            self._spawned.pipe.send(asked)
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
