"""The process that evaluates recordings and answers what pages ask of them."""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import shutil
import threading
from collections.abc import Callable
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any

from adapters.sessions.pasts.bridge_texts import BridgeTexts
from adapters.sessions.pasts.messages import PastAsked, Reply
from adapters.sessions.pasts.past import Forms, Past
from adapters.sessions.pasts.side_by_side import beside
from schemas.errors import LowhalfError, NoSuchPast, PastNotReady
from schemas.loader import Bridge

__all__ = ["MAX_OPEN", "serve"]

MAX_OPEN = 3
"""Recordings that are open at a time; of more, the one that was asked for longest ago is closed."""
_NICENESS = 5
"""So that the game and the daemon come first where there are too few cores."""


def serve(pipe: Connection, texts: BridgeTexts, forms: Callable[[], Forms]) -> None:
    """Answer requests until the other end of the pipe is closed."""
    if hasattr(os, "nice"):  # on Windows it runs as the daemon does
        with contextlib.suppress(OSError):
            os.nice(_NICENESS)
    asyncio.run(_Serving(pipe, texts.bridge(), forms()).run())


class _Serving:
    def __init__(self, pipe: Connection, running: Bridge, forms: Forms) -> None:
        self._pipe = pipe
        self._running = running
        self._forms = forms
        self._pasts: dict[str, Past] = {}
        self._tasks: set[asyncio.Task[None]] = set()
        self._ended = asyncio.Event()
        self._held: set[Path] = set()

    async def run(self) -> None:
        loop = asyncio.get_running_loop()
        threading.Thread(target=self._listen, args=(loop,), daemon=True).start()
        await self._ended.wait()
        for folder in self._held:  # the daemon has removed it, unless it was killed
            shutil.rmtree(folder, ignore_errors=True)
        os._exit(0)  # nobody waits for what is under way, and no thread may hold the end up

    def _listen(self, loop: asyncio.AbstractEventLoop) -> None:
        try:
            while True:
                asked = self._pipe.recv()
                loop.call_soon_threadsafe(self._start, asked)
        except (EOFError, OSError):
            loop.call_soon_threadsafe(self._ended.set)

    def _start(self, asked: PastAsked) -> None:
        task = asyncio.create_task(self._answer(asked))
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)

    async def _answer(self, asked: PastAsked) -> None:
        number = asked.number
        try:
            body = json.dumps(await self._found(asked), allow_nan=False, separators=(",", ":"))
            reply = Reply(number, body.encode())
        except NoSuchPast as fault:
            reply = Reply(number, fault=str(fault), kind="none")
        except PastNotReady as fault:
            reply = Reply(number, fault=str(fault), kind="later")
        except LowhalfError as fault:
            reply = Reply(number, fault=str(fault), kind="bad")
        except Exception as fault:
            reply = Reply(number, fault=f"{type(fault).__name__}: {fault}", kind="ours")
        with contextlib.suppress(OSError):
            self._pipe.send(reply)

    async def _found(self, asked: PastAsked) -> Any:
        given = asked.given
        if asked.what == "close":
            past = self._pasts.pop(asked.name, None)
            if past is not None:
                await past.close()
            return None
        past = await self._open(asked.name, asked.path, asked.sources)
        match asked.what:
            case "timeline":
                return await past.timeline()
            case "moment":
                return await past.moment(given["place"], given["parts"])
            case "mark":
                return await past.next_mark(
                    given["place"], given["kind"], backwards=given["backwards"]
                )
            case "rise":
                return await past.next_rise(
                    given["place"], given["expr"], backwards=given["backwards"]
                )
            case "answer":
                return await past.answer(given["place"], given["expr"])
            case "beside":
                other = await self._open(*given["other"])
                return await beside(
                    past, other, given["step"], given["expr"], memory=given["memory"]
                )
            case "events":
                return {"events": await past.events(given["place"], given["count"])}
        raise AssertionError(asked.what)

    async def _open(self, name: str, path: Path, sources: tuple[Path, ...]) -> Past:
        past = self._pasts.pop(name, None)
        if past is None:
            past = Past(path, self._running, self._forms, sources)
            if sources:
                self._held.add(path.parent)
        self._pasts[name] = past  # the newest in turn
        while len(self._pasts) > MAX_OPEN:
            oldest = next(iter(self._pasts))
            await self._pasts.pop(oldest).close()
        return past
