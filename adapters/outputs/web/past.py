"""The routes by which a page looks at what was recorded: see the table of ``server``."""

from __future__ import annotations

import json
from collections.abc import Awaitable, Callable
from typing import Any

from aiohttp import web

from adapters.outputs.web.ask import asked_text
from adapters.outputs.web.clients import asked_parts
from adapters.outputs.web.snapshot import PARTS
from bridge.ports.pasts import Pasts
from schemas.errors import LowhalfError, NoSuchPast, PastNotReady

__all__ = ["PastRoutes"]

_MAX_PLACE = 1 << 48
_KINDS = ("attempt", "outcome", "step", "heap", "gap", "reset")
_MAX_EVENTS = 1000


class PastRoutes:
    """Answers what pages ask of *pasts*; *words* makes of a fault what a page may see of it."""

    def __init__(self, pasts: Pasts, words: Callable[[str], str]) -> None:
        self._pasts = pasts
        self._words = words

    def add_to(self, router: web.UrlDispatcher) -> None:
        router.add_get("/past.json", self._listed)
        router.add_get("/past/{id}/timeline.json", self._timeline)
        router.add_get("/past/{id}/moment.json", self._moment)
        router.add_get("/past/{id}/next.json", self._next)
        router.add_get("/past/{id}/answer.json", self._answer)
        router.add_get("/past/{id}/events.json", self._events)
        router.add_get("/beside.json", self._beside)

    async def close(self) -> None:
        await self._pasts.close()

    async def _listed(self, request: web.Request) -> web.Response:
        return web.json_response({"pasts": await self._pasts.listed()})

    async def _timeline(self, request: web.Request) -> web.Response:
        return await self._ask(request, "timeline")

    async def _moment(self, request: web.Request) -> web.Response:
        parts = asked_parts(request, PARTS)
        return await self._ask(request, "moment", place=_place(request), parts=parts)

    async def _next(self, request: web.Request) -> web.Response:
        place, backwards = _place(request), _one_of(request, "way", ("next", "previous"))
        given = {"place": place, "backwards": backwards == "previous"}
        if "expr" in request.query:
            return await self._ask(request, "rise", expr=asked_text(request), **given)
        return await self._ask(request, "mark", kind=_one_of(request, "kind", _KINDS), **given)

    async def _answer(self, request: web.Request) -> web.Response:
        return await self._ask(request, "answer", place=_place(request), expr=asked_text(request))

    async def _events(self, request: web.Request) -> web.Response:
        count = _number(request, "count", 1, _MAX_EVENTS, 50)
        return await self._ask(request, "events", place=_place(request), count=count)

    async def _beside(self, request: web.Request) -> web.Response:
        a, b = request.query.get("a", ""), request.query.get("b", "")
        step = request.query.get("step", "")
        expr = asked_text(request) if "expr" in request.query else ""
        if step and expr:
            raise web.HTTPBadRequest(text="expected step or expr, found both\n")
        memory = _one_of(request, "memory", ("yes", "no"), "yes") == "yes"
        return await self._response(self._pasts.beside(a, b, step=step, expr=expr, memory=memory))

    async def _ask(self, request: web.Request, what: str, **given: Any) -> web.Response:
        return await self._response(self._pasts.ask(request.match_info["id"], what, **given))

    async def _response(self, asked: Awaitable[bytes]) -> web.Response:
        status, body = 200, b""
        try:
            body = await asked
        except NoSuchPast as fault:
            status, words = 404, str(fault)
        except PastNotReady as fault:
            status, words = 503, str(fault)
        except LowhalfError as fault:
            status, words = 500, str(fault)
        if status != 200:
            body = json.dumps({"error": self._words(words)}).encode()
        return web.Response(
            body=body, status=status, content_type="application/json", charset="utf-8"
        )


def _place(request: web.Request) -> int:
    return _number(request, "place", 0, _MAX_PLACE)


def _number(
    request: web.Request, name: str, least: int, most: int, otherwise: int | None = None
) -> int:
    text = request.query.get(name, "")
    if not text and otherwise is not None:
        return otherwise
    if not (text.isascii() and text.isdigit() and len(text) <= len(str(most))):
        raise web.HTTPBadRequest(text=f"{name}: expected a whole number from {least} to {most}\n")
    number = int(text)
    if not least <= number <= most:
        raise web.HTTPBadRequest(text=f"{name}: expected a whole number from {least} to {most}\n")
    return number


def _one_of(request: web.Request, name: str, known: tuple[str, ...], otherwise: str = "") -> str:
    text = request.query.get(name, otherwise)
    if text not in known:
        raise web.HTTPBadRequest(text=f"{name}: expected {', '.join(known)}\n")
    return text
