"""The output ``overlay``: pages, JSON and a WebSocket over HTTP on loopback.

=============  ====================================================================
path           gives
=============  ====================================================================
/              a page of links
/overlay       the page for streaming software; ``?watches=a,b&scale=1.5&theme=…``
/frame.json    the newest frame, as ``--json`` prints it; 503 while there is none
/live          a WebSocket that sends whole snapshots; each is answered by ``ack``;
               ``?parts=heap`` asks for what is only sent to those who ask
/pages/NAME    what the pages are made of
/here.svg      a picture that says that the server is up (see ``web_guard``)
=============  ====================================================================
"""

from __future__ import annotations

import asyncio
import contextlib
import errno
import json
import logging
import socket
from collections.abc import Sequence
from functools import partial
from typing import ClassVar

from aiohttp import web

from adapters.outputs.listen_address import served_address
from adapters.outputs.web_clients import Clients, Feed
from adapters.outputs.web_guard import BEACON, WebGuard
from adapters.outputs.web_pages import Pages
from adapters.outputs.web_snapshot import frame_snapshot, waiting_snapshot
from bridge.output import Output
from bridge.readings import Frame, Watch
from schemas.errors import OutputError
from schemas.output_settings import OverlayOutput


class OverlayServer(Output):
    """Serves the newest frame while ``run`` runs.

    ``url`` is the address of the first page, with a final slash, once ``listening`` is set; both
    go back when ``run`` ends.  *token* is what requests must bring where the address is not
    loopback.  Raises OutputError where it is missing there, or where the address is no such thing.
    """

    kind: ClassVar[str] = "overlay"

    def __init__(self, settings: OverlayOutput, log: logging.Logger, *, token: str = "") -> None:
        super().__init__()
        self._host, self._port, self._token = served_address(settings.listen, token, self.kind)
        self._log = log
        self._frame: Frame | None = None
        self._pages = Pages()
        self._feed = Feed()
        self._clients = Clients(self._feed, log)
        self.url = ""
        self.listening = asyncio.Event()

    @property
    def clients(self) -> int:
        """WebSocket clients that are connected."""
        return len(self._clients)

    def announce(self, watches: Sequence[Watch]) -> None:
        """Until the first frame the pages show the watches waiting."""
        if self._frame is None:
            self._feed.put(partial(waiting_snapshot, tuple(watches)))

    def publish(self, frame: Frame) -> None:
        """A frame counts as skipped when clients were there and none was sent it."""
        if self._frame is not None and self.clients and self._feed.sent_serial < self._feed.serial:
            self.skipped += 1
        self._frame = frame
        self._feed.put(partial(frame_snapshot, frame))

    async def run(self) -> None:
        """Listen until cancelled.  Raises OutputError where the port cannot be had."""
        with self._bound() as listener:
            port = listener.getsockname()[1]
            app = self._app(WebGuard(self._host, port, self._token))
            runner = web.AppRunner(app, access_log=None, shutdown_timeout=0.1)
            await runner.setup()
            try:
                await web.SockSite(runner, listener).start()
                host = f"[{self._host}]" if ":" in self._host else self._host
                self.url = f"http://{host}:{port}/"
                self.listening.set()
                with_token = "" if self._token is None else " with ?token=…"
                self._log.info("pages at %s%s", self.url, with_token)
                await asyncio.Event().wait()
            finally:
                self.listening.clear()
                self.url = ""
                await _stop_accepting(listener)
                await runner.cleanup()

    def _bound(self) -> socket.socket:
        family = socket.AF_INET6 if ":" in self._host else socket.AF_INET
        try:
            return socket.create_server((self._host, self._port), family=family, backlog=128)
        except OSError as failure:
            reason = failure.strerror or str(failure)
            if failure.errno == errno.EADDRINUSE:
                reason = "the port is in use, perhaps by another lowhalf"
            raise OutputError(
                f"cannot listen on {self._host} port {self._port}: {reason}; stop what uses it, "
                "or set listen to another port (port 0 takes a free one)",
                output=self.kind,
            ) from failure

    def _app(self, guard: WebGuard) -> web.Application:
        app = web.Application(middlewares=[guard.middleware])
        app.on_response_prepare.append(guard.add_headers)
        app.on_shutdown.append(self._say_goodbye)
        app.router.add_get("/", self._index)
        app.router.add_get("/overlay", self._overlay)
        app.router.add_get("/frame.json", self._newest)
        app.router.add_get("/live", self._clients.serve, allow_head=False)
        app.router.add_get("/pages/{name}", self._part)
        app.router.add_get(BEACON, self._here)
        return app

    async def _index(self, request: web.Request) -> web.Response:
        return self._pages.page("index.html")

    async def _overlay(self, request: web.Request) -> web.Response:
        return self._pages.page("overlay.html")

    async def _part(self, request: web.Request) -> web.Response:
        return self._pages.page(request.match_info["name"])

    async def _here(self, request: web.Request) -> web.Response:
        return self._pages.page("mark.svg")

    async def _newest(self, request: web.Request) -> web.Response:
        if self._frame is None:
            return web.json_response({"error": "no frame yet"}, status=503)
        return web.json_response(self._frame.as_json(), dumps=_dumps)

    async def _say_goodbye(self, app: web.Application) -> None:
        await self._clients.close()


async def _stop_accepting(listener: socket.socket) -> None:
    """Let connections that were just accepted reach the server, which then closes them too.

    CPython 3.11 leaks a connection that it accepted just before its server is closed.
    """
    with contextlib.suppress(NotImplementedError):  # the proactor loop of Windows
        asyncio.get_running_loop().remove_reader(listener)
    for _ in range(3):
        await asyncio.sleep(0)


_dumps = partial(json.dumps, allow_nan=False)
