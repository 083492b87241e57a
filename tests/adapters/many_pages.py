"""Many pages in one browser over one DevTools connection, without the events that each would send.

Source of the protocol's names: chromedevtools.github.io/devtools-protocol, version 1.3.
"""

from __future__ import annotations

import asyncio
import itertools
import json
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import Any

import aiohttp


class ManyPages:
    """Pages are known by their session's id."""

    def __init__(self, socket: aiohttp.ClientWebSocketResponse) -> None:
        self._socket = socket
        self._numbers = itertools.count(1)
        self._replies: dict[int, asyncio.Future[dict[str, Any]]] = {}
        self._contexts: list[str] = []

    async def call(self, method: str, session: str = "", **params: Any) -> dict[str, Any]:
        """The reply to a method; of the browser itself where *session* is empty."""
        number = next(self._numbers)
        request: dict[str, Any] = {"id": number, "method": method, "params": params}
        if session:
            request["sessionId"] = session
        reply = self._replies[number] = asyncio.get_running_loop().create_future()
        await self._socket.send_json(request)
        async with asyncio.timeout(20):
            answer: dict[str, Any] = await reply
        return answer

    async def context(self) -> str:
        """A browser context of its own, whose pages share no process with those of another."""
        made = await self.call("Target.createBrowserContext")
        self._contexts.append(str(made["browserContextId"]))
        return self._contexts[-1]

    async def open(self, url: str, context: str, width: int = 240, height: int = 80) -> str:
        """A window that counts as visible; gives its session."""
        made = await self.call(
            "Target.createTarget", url="about:blank", browserContextId=context, newWindow=True
        )
        attached = await self.call("Target.attachToTarget", targetId=made["targetId"], flatten=True)
        session = str(attached["sessionId"])
        await self.call(
            "Emulation.setDeviceMetricsOverride",
            session,
            width=width,
            height=height,
            deviceScaleFactor=1,
            mobile=False,
        )
        await self.call("Page.navigate", session, url=url)
        return session

    async def evaluate(self, session: str, script: str) -> Any:
        """The value of a script in a page."""
        answer = await self.call("Runtime.evaluate", session, expression=script, returnByValue=True)
        if "exceptionDetails" in answer:
            raise AssertionError(f"script failed: {answer['exceptionDetails']}")
        return answer["result"].get("value")

    async def read(self) -> None:
        """Take in replies; runs beside the test."""
        async for message in self._socket:
            if message.type is not aiohttp.WSMsgType.TEXT:
                continue
            answer = json.loads(message.data)
            reply = self._replies.pop(answer.get("id", 0), None)
            if reply is None or reply.done():
                continue
            if "error" in answer:
                reply.set_exception(RuntimeError(answer["error"]["message"]))
            else:
                reply.set_result(answer["result"])

    async def close(self) -> None:
        """End all contexts with their pages."""
        for context in self._contexts:
            await self.call("Target.disposeBrowserContext", browserContextId=context)


@asynccontextmanager
async def many_pages(address: str) -> AsyncIterator[ManyPages]:
    """A connection to the chromium at *address*; its pages are closed at the end."""
    async with (
        aiohttp.ClientSession() as session,
        session.ws_connect(address, max_msg_size=1 << 26) as socket,
    ):
        pages = ManyPages(socket)
        reader = asyncio.create_task(pages.read())
        try:
            yield pages
            await pages.close()
        finally:
            reader.cancel()
            await asyncio.wait([reader])
