"""Drives Debian's chromium by the DevTools protocol, for tests of the pages.

Source of the protocol's names: chromedevtools.github.io/devtools-protocol, version 1.3.
"""

from __future__ import annotations

import asyncio
import base64
import contextlib
import itertools
import json
import subprocess
import time
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import asynccontextmanager, contextmanager
from pathlib import Path
from typing import Any

import aiohttp

_FLAGS = (
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--disable-dev-shm-usage",
    "--remote-debugging-port=0",
)


@contextmanager
def chromium(profile: Path) -> Iterator[str]:
    """A running chromium; gives the address of its DevTools WebSocket."""
    process = subprocess.Popen(
        ["chromium", *_FLAGS, f"--user-data-dir={profile}", "about:blank"],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        stdin=subprocess.DEVNULL,
    )
    try:
        yield _devtools_address(process, profile / "DevToolsActivePort")
    finally:
        process.terminate()
        try:
            process.wait(10)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait(10)


def _devtools_address(process: subprocess.Popen[bytes], written: Path) -> str:
    for _ in range(400):
        if process.poll() is not None:
            raise RuntimeError(f"chromium ended with {process.returncode}")
        if written.exists():
            lines = written.read_text().splitlines()
            if len(lines) == 2:
                return f"ws://127.0.0.1:{lines[0]}{lines[1]}"
        time.sleep(0.05)
    raise RuntimeError("chromium opened no DevTools port within 20 s")


class DevToolsError(Exception):
    """What the browser answers instead of a result."""


class Page:
    """One page.  ``faults`` collects errors, blocked resources and policy violations."""

    def __init__(self, socket: aiohttp.ClientWebSocketResponse) -> None:
        self._socket = socket
        self._numbers = itertools.count(1)
        self._replies: dict[int, asyncio.Future[dict[str, Any]]] = {}
        self._session = ""
        self.faults: list[str] = []
        self.listeners: dict[str, Callable[[dict[str, Any]], None]] = {}
        """What is called with the parameters of the event of that name."""

    async def call(self, method: str, **params: Any) -> dict[str, Any]:
        number = next(self._numbers)
        request: dict[str, Any] = {"id": number, "method": method, "params": params}
        if self._session:
            request["sessionId"] = self._session
        reply = asyncio.get_running_loop().create_future()
        self._replies[number] = reply
        await self._socket.send_json(request)
        async with asyncio.timeout(15):
            answer: dict[str, Any] = await reply
        return answer

    async def attach(self, width: int, height: int) -> str:
        """Open a tab; returns its id."""
        target = (await self.call("Target.createTarget", url="about:blank"))["targetId"]
        opened = await self.call("Target.attachToTarget", targetId=target, flatten=True)
        self._session = opened["sessionId"]
        for domain in ("Page", "Runtime", "Log", "Network"):
            await self.call(f"{domain}.enable")
        await self.resize(width, height)
        return str(target)

    async def resize(self, width: int, height: int) -> None:
        await self.call(
            "Emulation.setDeviceMetricsOverride",
            width=width,
            height=height,
            deviceScaleFactor=1,
            mobile=False,
        )

    async def open(self, url: str) -> None:
        await self.call("Page.navigate", url=url)

    async def evaluate(self, script: str) -> Any:
        """The value of a script; a promise is awaited."""
        answer = await self.call(
            "Runtime.evaluate", expression=script, returnByValue=True, awaitPromise=True
        )
        if "exceptionDetails" in answer:
            raise AssertionError(f"script failed: {answer['exceptionDetails']}")
        return answer["result"].get("value")

    async def wait_for(self, script: str, wanted: Any = True, seconds: float = 10) -> None:
        """Until *script* gives *wanted*."""
        found = None
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            # a page that goes elsewhere takes the question with it
            with contextlib.suppress(DevToolsError):
                found = await self.evaluate(script)
            if found == wanted:
                return
            await asyncio.sleep(0.03)
        raise AssertionError(f"{script}: expected {wanted!r} within {seconds} s, found {found!r}")

    async def picture(self) -> bytes:
        """The page as a PNG, with what is transparent left transparent."""
        await self.call(
            "Emulation.setDefaultBackgroundColorOverride", color={"r": 0, "g": 0, "b": 0, "a": 0}
        )
        answer = await self.call("Page.captureScreenshot", format="png")
        return base64.b64decode(answer["data"])

    async def read(self) -> None:
        """Take in what the browser says; runs beside the test."""
        async for message in self._socket:
            if message.type is not aiohttp.WSMsgType.TEXT:
                continue
            event = json.loads(message.data)
            if "id" in event:
                self._settle(event)
            else:
                self._note(event["method"], event["params"])

    def _settle(self, event: dict[str, Any]) -> None:
        reply = self._replies.pop(event["id"], None)
        if reply is None or reply.done():
            return
        if "error" in event:
            reply.set_exception(DevToolsError(event["error"]["message"]))
        else:
            reply.set_result(event["result"])

    def _note(self, method: str, params: dict[str, Any]) -> None:
        if method in self.listeners:
            self.listeners[method](params)
        if method == "Runtime.exceptionThrown":
            self.faults.append(str(params["exceptionDetails"]))
        elif method == "Log.entryAdded" and params["entry"]["level"] in ("error", "warning"):
            self.faults.append(params["entry"]["text"])
        elif method == "Runtime.consoleAPICalled" and params["type"] in ("error", "warning"):
            self.faults.append(str(params["args"]))


@asynccontextmanager
async def new_page(address: str, width: int = 800, height: int = 600) -> AsyncIterator[Page]:
    """A tab of its own in the chromium at *address*, closed at the end."""
    async with (
        aiohttp.ClientSession() as session,
        session.ws_connect(address, max_msg_size=1 << 26) as socket,
    ):
        page = Page(socket)
        reader = asyncio.create_task(page.read())
        try:
            target = await page.attach(width, height)
            yield page
            await page.call("Target.closeTarget", targetId=target)
        finally:
            reader.cancel()
            await asyncio.wait([reader])
