"""Drives Debian's chromium by the DevTools protocol, for tests of the pages.

The time of a page is ours (``page_clock.js``): it stands still while a test does nothing, leaps
while a test waits, and passes frame by frame where a test counts.

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

_CLOCK = Path(__file__).with_name("page_clock.js").read_text("utf-8")
FRAME = 1 / 60
"""Seconds between two pictures."""


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
    """One page.  ``faults`` collects errors, blocked resources and policy violations.

    ``context`` is the id of its browser context.
    """

    def __init__(self, socket: aiohttp.ClientWebSocketResponse) -> None:
        self._socket = socket
        self._numbers = itertools.count(1)
        self._replies: dict[int, asyncio.Future[dict[str, Any]]] = {}
        self._session = ""
        self.context = ""
        self._taken: int | None = None
        self._origin = ""
        self._loader = ""
        self._navigated = asyncio.Event()
        self.faults: list[str] = []
        self.listeners: dict[str, Callable[[dict[str, Any]], None]] = {}
        """What is called with the parameters of the event of that name."""

    async def call(self, method: str, **params: Any) -> dict[str, Any]:
        number = next(self._numbers)
        request: dict[str, Any] = {"id": number, "method": method, "params": params}
        if self._session and not method.startswith(("Browser.", "Target.")):
            request["sessionId"] = self._session
        reply = asyncio.get_running_loop().create_future()
        self._replies[number] = reply
        await self._socket.send_json(request)
        async with asyncio.timeout(15):
            answer: dict[str, Any] = await reply
        return answer

    async def attach(self, width: int, height: int, still: bool) -> None:
        """Open a tab in a browser context of its own."""
        context = (await self.call("Target.createBrowserContext"))["browserContextId"]
        target = (
            await self.call(
                "Target.createTarget", url="about:blank", browserContextId=context, newWindow=True
            )
        )["targetId"]
        opened = await self.call("Target.attachToTarget", targetId=target, flatten=True)
        self._session = opened["sessionId"]
        for domain in ("Page", "Runtime", "Log"):
            await self.call(f"{domain}.enable")
        clock = f"({_CLOCK})({json.dumps(still)})"
        await self.call("Page.addScriptToEvaluateOnNewDocument", source=clock)
        await self.evaluate(clock)
        await self.resize(width, height)
        self.context = str(context)

    async def renew(self, width: int, height: int) -> None:
        """As if it were a new tab; only what was fetched is kept."""
        await asyncio.gather(
            self._resize(width, height),
            self.emulate(),
            self.call("Emulation.setDefaultBackgroundColorOverride"),
            self.call(
                "Storage.clearDataForOrigin",
                origin=self._origin,
                storageTypes="cookies,local_storage",
            ),
        )
        self.listeners.clear()
        self.faults.clear()

    async def resize(self, width: int, height: int) -> None:
        """Returns when the page knows of it."""
        await self._resize(width, height)
        await self.evaluate(f"clock.resized({width}, {height})")

    async def _resize(self, width: int, height: int) -> None:
        await self.call(
            "Emulation.setDeviceMetricsOverride",
            width=width,
            height=height,
            deviceScaleFactor=1,
            mobile=False,
        )

    async def emulate(self, **features: str) -> None:
        """What the person prefers, by the names of media features with ``_`` for ``-``."""
        named = [{"name": k.replace("_", "-"), "value": v} for k, v in features.items()]
        await self.call("Emulation.setEmulatedMedia", features=named)

    async def open(self, url: str) -> None:
        """Returns when the page that was there before is gone."""
        self._taken = None
        self._origin = "/".join(url.split("/")[:3])
        answer = await self.call("Page.navigate", url=url)
        while answer.get("loaderId", self._loader) != self._loader:
            self._navigated.clear()
            await self._navigated.wait()

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
        self._taken = None
        while (left := end - time.monotonic()) > 0:
            # a page that goes elsewhere takes the question with it
            with contextlib.suppress(DevToolsError):
                answer = await self.evaluate(
                    f"clock.until(async () => ({script}), {json.dumps(wanted)}, {left * 1000})"
                )
                if answer["met"]:
                    return
                found = answer["found"]
        raise AssertionError(f"{script}: expected {wanted!r} within {seconds} s, found {found!r}")

    async def pass_time(self, seconds: float, step: float = 0.1) -> None:
        """Let the page's time pass, in frames of *step* seconds; layout and fetches keep up."""
        self._taken = None
        await self.evaluate(f"clock.pass({seconds * 1000}, {step * 1000})")

    async def take(self, send: Callable[[], object], seconds: float = FRAME) -> None:
        """Have the server send a message, and let *seconds* pass from when the page has it.

        As many frames as at 60 Hz come in that time.
        """
        if self._taken is None:
            self._taken = await self.evaluate("clock.messages")
        send()
        script = f"clock.after({self._taken}, {seconds * 1000}, {FRAME * 1000})"
        self._taken = await self.evaluate(script)

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
        if method == "Page.frameNavigated" and "parentId" not in params["frame"]:
            self._loader = params["frame"]["loaderId"]
            self._navigated.set()
        elif method == "Runtime.exceptionThrown":
            self.faults.append(str(params["exceptionDetails"]))
        elif method == "Log.entryAdded" and params["entry"]["level"] in ("error", "warning"):
            self.faults.append(params["entry"]["text"])
        elif method == "Runtime.consoleAPICalled" and params["type"] in ("error", "warning"):
            self.faults.append(str(params["args"]))


@asynccontextmanager
async def new_page(
    address: str, width: int = 800, height: int = 600, still: bool = True
) -> AsyncIterator[Page]:
    """A tab in a context of its own in the chromium at *address*, closed at the end.

    Where its time is not *still* it is the browser's.
    """
    async with (
        aiohttp.ClientSession() as session,
        session.ws_connect(address, max_msg_size=1 << 26) as socket,
    ):
        page = Page(socket)
        reader = asyncio.create_task(page.read())
        try:
            await page.attach(width, height, still)
            yield page
            await page.call("Target.disposeBrowserContext", browserContextId=page.context)
        finally:
            reader.cancel()
            await asyncio.wait([reader])
