"""What is read from files for a page: in a thread, one at a time, and seldom."""

from __future__ import annotations

import asyncio
import contextlib
import json
import threading
import time
from collections.abc import Callable
from functools import partial
from typing import Any, TypeVar

from aiohttp import web

from schemas.errors import LowhalfError

__all__ = ["LASTS", "SlowJson", "in_thread"]

LASTS = 1.0
"""Seconds for which an answer is given again, so that many pages cost no more than one."""


class SlowJson:
    """An answer in JSON that takes time to make.

    *read* runs in a thread that the program's end does not wait for.
    """

    def __init__(self, read: Callable[[], dict[str, Any] | None], name: str) -> None:
        self._read = read
        self._name = name
        self._lock = asyncio.Lock()
        self._made: float | None = None
        self._body = ""
        self._status = 200

    async def response(self, words: Callable[[str], str] = str) -> web.Response:
        """What was read, null where there is nothing; 503 and ``error`` where it cannot be.

        *words* makes of an error's text what the page may see of it.
        """
        async with self._lock:
            if self._made is None or time.monotonic() - self._made > LASTS:
                self._status, self._body = await in_thread(partial(self._make, words), self._name)
                self._made = time.monotonic()
        return web.Response(
            text=self._body, status=self._status, content_type="application/json", charset="utf-8"
        )

    def _make(self, words: Callable[[str], str]) -> tuple[int, str]:
        try:
            return 200, json.dumps(self._read(), allow_nan=False)
        except LowhalfError as fault:
            return 503, json.dumps({"error": words(str(fault))})


_T = TypeVar("_T")


async def in_thread(call: Callable[[], _T], name: str) -> _T:
    """What *call* gives, or raises, in a thread of its own that nothing waits for at the end."""
    loop = asyncio.get_running_loop()
    done: asyncio.Future[_T] = loop.create_future()

    def succeed(what: _T) -> None:
        if not done.done():
            done.set_result(what)

    def fail(fault: BaseException) -> None:
        if not done.done():
            done.set_exception(fault)

    def work() -> None:
        try:
            settle = partial(succeed, call())
        except BaseException as fault:
            settle = partial(fail, fault)
        with contextlib.suppress(RuntimeError):  # the loop is closed: nobody listens
            loop.call_soon_threadsafe(settle)

    threading.Thread(target=work, name=name, daemon=True).start()
    return await done
