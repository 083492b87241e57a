"""The output ``overlay``: pages, JSON and a WebSocket over HTTP on loopback.

=============  ====================================================================
path           gives
=============  ====================================================================
/              a page of links
/overlay       the page for streaming software; ``?watches=a,b&scale=1.5&theme=…``
/frame.json    the newest frame, as ``--json`` prints it but for paths; 503 while there is none
/live          a WebSocket that sends whole snapshots; each is answered by ``ack``;
               ``?parts=heap,desk`` asks for what is only sent to those who ask
/desk          the page for the person who practises
/practice      the page to practise with, to be read from two metres
/by-hand       the page that asks for memory that a person types (see ``by_hand``)
/ask           a WebSocket like ``/live`` that sends what ``?expr=…`` is in each frame, and
               how that comes about
/names.json    the names that an expression can be written with
/history.json  what ``lowhalf attempts --json`` prints, or null
/tallies.json  what ``lowhalf tally --json`` prints, or null
/layouts.json  the heap against every saved layout
/past.json     what was recorded and can be looked at again; ``/past/ID/timeline.json``,
               ``moment.json``, ``next.json``, ``answer.json``, ``events.json`` and
               ``/beside.json`` answer of it (see ``past``)
/beside        the page of two recordings side by side
/pages/PATH    what the pages are made of
/here.svg      a picture that says that the server is up (see ``guard``)
=============  ====================================================================

What viewers of a stream may see names files without their folders
(``bridge.readings.public_words``): the overlay, the first page and the frame.  The desk, and what
it asks for, has the paths in full where the server is on loopback, and nowhere else.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import logging
import os
from collections.abc import Sequence
from functools import partial
from typing import Any, ClassVar

from aiohttp import web

from adapters.outputs.surroundings import OutputSurroundings
from adapters.outputs.web.ask import FollowedQuestion, asked_text
from adapters.outputs.web.beacon import BEACON
from adapters.outputs.web.bound_socket import bound_socket
from adapters.outputs.web.by_hand import by_hand_routes
from adapters.outputs.web.clients import Clients, Feed, FeedParts, Parts, asked_parts
from adapters.outputs.web.connection import IDLE, LINGER
from adapters.outputs.web.connections import Connections
from adapters.outputs.web.controls import control_routes, controls_at_hand, keys_at_hand
from adapters.outputs.web.desk import Desk
from adapters.outputs.web.faults import WebFaults
from adapters.outputs.web.guard import WebGuard
from adapters.outputs.web.health import FrameRate, health
from adapters.outputs.web.heap import HeapAsked
from adapters.outputs.web.layouts import layouts_json
from adapters.outputs.web.names import names
from adapters.outputs.web.page_files import Pages
from adapters.outputs.web.past import PastRoutes
from adapters.outputs.web.room import Room
from adapters.outputs.web.served_address import served_address
from adapters.outputs.web.slow_json import SlowJson, in_thread
from adapters.outputs.web.snapshot import PARTS, frame_snapshot, waiting_snapshot
from adapters.outputs.web.token import TOKEN_VARIABLE
from bridge.ports.output import Output
from bridge.questions.question import Questions
from bridge.readings.frame import Frame
from bridge.readings.public_words import public_frame, public_text
from bridge.readings.reading import Watch
from schemas.errors import TooManyQuestions
from schemas.output_settings import OverlayOutput

__all__ = ["HEAP_LINGERS", "HEAP_PATIENCE", "MAX_ASKED", "OverlayServer"]

MAX_ASKED = Questions.MOST - 1
"""Expressions that pages ask for at a time; one question is kept for the heap."""
HEAP_PATIENCE = 1.0
"""Seconds that a comparison of layouts waits for the first heap."""
HEAP_LINGERS = 5.0
"""Seconds that the heap is walked on after a comparison, since the next is likely to come."""


class OverlayServer(Output):
    """Serves the newest frame while ``run`` runs.

    ``url`` is the address of the first page, with a final slash, once ``listening`` is set; both
    go back when ``run`` ends.  *token* is what requests must bring where the address is not
    loopback.  Raises OutputError where it is missing there, or where the address is no such thing.
    *desk* is what the desk page shows beside the frames; without it the page has them alone.
    Where the port is in use, the next *spare_ports* are tried.
    """

    kind: ClassVar[str] = "overlay"

    def __init__(
        self,
        settings: OverlayOutput,
        log: logging.Logger,
        *,
        token: str = "",
        desk: Desk | None = None,
        spare_ports: int = 0,
    ) -> None:
        super().__init__()
        self._spare_ports = spare_ports
        self._host, self._port, self._token = served_address(settings.listen, token, self.kind)
        self._log = log
        self._frame: Frame | None = None
        self._pages = Pages()
        self._feed = Feed()
        self._room = Room.of_process()
        self._clients = Clients(log, self._room.live, hears=True)
        self._asking = Clients(log)
        self._desk = desk
        self._watches: tuple[Watch, ...] = ()
        self._rate = FrameRate()
        self._heap = HeapAsked(
            desk.questions.heap if desk is not None and desk.describes_heap else None,
            self._heap_came,
        )
        self._heap_is_late = False
        self._comparing = asyncio.Lock()
        self._history = SlowJson((desk and desk.history) or _nothing, "lowhalf-history")
        self._tallies = SlowJson((desk and desk.tallies) or _nothing, "lowhalf-tallies")
        pasts = desk.pasts if desk is not None else None
        self._past = None if pasts is None else PastRoutes(pasts, self._desk_words)
        self.url = ""
        self.listening = asyncio.Event()

    @classmethod
    def from_bridge(cls, settings: OverlayOutput, around: OutputSurroundings) -> OverlayServer:
        """The output of a bridge file's table; the token comes from the environment."""
        desk = Desk(
            around.bridge.schema,
            around.prepared_builds,
            around.questions,
            history=around.history,
            tallies=around.tallies,
            notice=around.notice,
            controls=around.controls,
            pasts=around.pasts,
        )
        token = os.environ.get(TOKEN_VARIABLE, "")
        return cls(settings, around.log, token=token, desk=desk, spare_ports=around.spare_ports)

    @property
    def clients(self) -> int:
        """WebSocket clients that are connected."""
        return len(self._clients)

    @property
    def state(self) -> str:
        """How many pages are open."""
        return f"{self.clients} page{'s' * (self.clients != 1)} connected"

    def announce(self, watches: Sequence[Watch]) -> None:
        """Until the first frame the pages show the watches waiting."""
        self._watches = tuple(watches)
        if self._frame is None:
            self._feed.put(partial(waiting_snapshot, self._watches, health=self._health))

    def publish(self, frame: Frame) -> None:
        """A frame counts as skipped when clients were there and none was sent it."""
        if self._frame is not None and self.clients and self._feed.sent_serial < self._feed.serial:
            self.skipped += 1
        self._frame = frame
        self._rate.saw(frame)
        self._heap_is_late = False
        self._feed.put(partial(self._snapshot, frame))

    def _snapshot(self, frame: Frame, parts: Parts) -> dict[str, Any]:
        seen = self._heap.of(frame) if "heap" in parts else None
        if "heap" in parts:
            self._heap_is_late = seen is None or seen.frame != frame.number
        if "desk" not in parts or self._is_shared:
            frame = public_frame(frame)
        return frame_snapshot(frame, parts, heap=seen, health=self._health)

    def _heap_came(self) -> None:
        """An answer that came after its frame, such as that of a dump, is sent as well."""
        frame = self._frame
        if frame is None or not self._heap_is_late:
            return
        seen = self._heap.of(frame)
        if seen is not None and seen.frame == frame.number:
            self._heap_is_late = False
            self._feed.put(partial(self._snapshot, frame))

    def _health(self) -> dict[str, Any]:
        desk = self._desk
        return health(
            self._rate.rate,
            self.beside if desk is not None else [self],
            layouts=list(desk.prepared(self._build).layout.saved_layouts)
            if desk is not None
            else [],
            tallies=desk is not None and desk.tallies is not None,
            history=desk is not None and desk.history is not None,
            pasts=self._past is not None,
            controls=controls_at_hand(desk.controls) if desk is not None else (),
            keys=keys_at_hand(desk.controls) if desk is not None else {},
            pages=self._clients.told,
            notice=desk.notice() if desk is not None else "",
            words=self._desk_words,
        )

    @property
    def _is_shared(self) -> bool:
        """Whether others than this machine can see even the desk."""
        return self._token is not None

    def _desk_words(self, text: str) -> str:
        """What is said of the machine, for the desk."""
        if not self._is_shared:
            return text
        return public_text(text, self._frame.paths if self._frame is not None else ())

    @property
    def _build(self) -> str:
        """The running build, "" while it is not known."""
        return self._frame.build if self._frame is not None else ""

    async def run(self) -> None:
        """Listen until cancelled.  Raises OutputError where the port cannot be had."""
        with bound_socket(
            self._host, self._port, self._spare_ports, self._log, output=self.kind
        ) as listener:
            port = listener.getsockname()[1]
            faults = WebFaults(self._log)
            connections = Connections(self._room, faults)
            app = self._app(WebGuard(self._host, port, self._token), connections)
            runner = web.AppRunner(
                app,
                access_log=None,
                logger=faults.logger(),
                shutdown_timeout=0.1,
                keepalive_timeout=IDLE,
                lingering_time=LINGER,
                auto_decompress=False,
            )
            await runner.setup()
            assert runner.server is not None
            try:
                host = f"[{self._host}]" if ":" in self._host else self._host
                self.url = f"http://{host}:{port}/"
                self.listening.set()
                with_token = "" if self._token is None else " with ?token=…"
                self._log.info("pages at %s%s", self.url, with_token)
                await connections.accept(listener, runner.server)
            finally:
                self.listening.clear()
                self.url = ""
                await runner.cleanup()
                if self._past is not None:
                    await self._past.close()
                connections.close()
                faults.close()

    def _app(self, guard: WebGuard, connections: Connections) -> web.Application:
        app = web.Application(middlewares=[connections.middleware, guard.middleware])
        app.on_response_prepare.append(guard.add_headers)
        app.on_response_prepare.append(connections.prepared)
        app.on_shutdown.append(self._say_goodbye)
        app.router.add_get("/", self._index)
        app.router.add_get("/overlay", self._overlay)
        app.router.add_get("/frame.json", self._newest)
        app.router.add_get("/live", self._live, allow_head=False)
        app.router.add_get("/desk", self._desk_page)
        app.router.add_get("/practice", self._practice_page)
        app.router.add_get("/history.json", self._history_json)
        app.router.add_get("/tallies.json", self._tallies_json)
        if self._desk is not None:
            app.router.add_get("/ask", partial(self._ask, self._desk), allow_head=False)
            app.router.add_get("/names.json", partial(self._names_json, self._desk))
            app.router.add_get("/layouts.json", partial(self._layouts_json, self._desk))
            app.add_routes(control_routes(self._desk.controls, self._desk_words))
            app.add_routes(by_hand_routes(self._desk.controls, self._pages))
        if self._past is not None:
            self._past.add_to(app.router)
            app.router.add_get("/beside", self._beside_page)
        app.router.add_get("/pages/{name:.+}", self._part)
        app.router.add_get(BEACON, self._here)
        return app

    async def _index(self, request: web.Request) -> web.Response:
        return self._pages.page("index.html")

    async def _overlay(self, request: web.Request) -> web.Response:
        return self._pages.page("overlay/overlay.html")

    async def _part(self, request: web.Request) -> web.Response:
        return self._pages.page(request.match_info["name"])

    async def _here(self, request: web.Request) -> web.Response:
        return self._pages.page("shared/mark.svg")

    async def _newest(self, request: web.Request) -> web.Response:
        if self._frame is None:
            return web.json_response({"error": "no frame yet"}, status=503)
        return web.json_response(public_frame(self._frame).as_json(), dumps=_dumps)

    async def _live(self, request: web.Request) -> web.StreamResponse:
        parts = asked_parts(request, PARTS)
        with self._heap.held() if "heap" in parts else contextlib.nullcontext():
            return await self._clients.serve(request, FeedParts(self._feed, parts))

    async def _desk_page(self, request: web.Request) -> web.Response:
        return self._pages.page("desk/desk.html")

    async def _practice_page(self, request: web.Request) -> web.Response:
        return self._pages.page("practice/practice.html")

    async def _beside_page(self, request: web.Request) -> web.Response:
        return self._pages.page("desk/beside.html")

    async def _ask(self, desk: Desk, request: web.Request) -> web.StreamResponse:
        text = asked_text(request)
        try:
            if len(self._asking) >= (most := min(MAX_ASKED, self._room.asked)):
                raise TooManyQuestions(f"{most} questions are open already; close one first")
            question = desk.questions.ask(text)
        except TooManyQuestions as fault:
            raise web.HTTPServiceUnavailable(text=f"{fault}\n") from None
        try:
            return await self._asking.serve(request, FollowedQuestion(question, self._desk_words))
        finally:
            question.close()

    async def _names_json(self, desk: Desk, request: web.Request) -> web.Response:
        build = self._build
        found = names(desk.schema, desk.prepared(build), self._watches, build)
        return web.json_response(found, dumps=_dumps)

    async def _history_json(self, request: web.Request) -> web.Response:
        return await self._history.response(self._desk_words)

    async def _tallies_json(self, request: web.Request) -> web.Response:
        return await self._tallies.response(self._desk_words)

    async def _layouts_json(self, desk: Desk, request: web.Request) -> web.Response:
        saved = desk.prepared(self._build).layout.saved_layouts
        if not saved:
            frame = self._frame.number if self._frame is not None else None
            return web.json_response({"frame": frame, "layouts": []}, dumps=_dumps)
        self._heap.hold()
        asyncio.get_running_loop().call_later(HEAP_LINGERS, self._heap.release)
        seen = await self._heap.waited(lambda: self._frame, HEAP_PATIENCE)
        async with self._comparing:
            found = await in_thread(partial(layouts_json, saved, seen), "lowhalf-layouts")
        return web.json_response(found, dumps=_dumps)

    async def _say_goodbye(self, app: web.Application) -> None:
        await asyncio.gather(self._clients.close(), self._asking.close())


def _nothing() -> None:
    return None


_dumps = partial(json.dumps, allow_nan=False)
