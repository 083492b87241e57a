"""Routes of a source that a person types: its questions, and what the person says.

=====================  ============================================================
path                   gives
=====================  ============================================================
/by-hand               the page for a phone beside the console
/by-hand.json          the question at hand and what has been reached
/by-hand/WHAT          by POST: answer, confirm, correct, undo, again, changed or
                       skip, with ``?text=…``; gives the same JSON
=====================  ============================================================

``?revision=N`` says which state the person saw: where another phone was quicker nothing is done,
with the answer 409, so that no number goes to a question that it does not belong to.
"""

from __future__ import annotations

import json
from functools import partial

from aiohttp import web

from adapters.outputs.web.page_files import Pages
from bridge.ports.asked_by_hand import SAID, AskedByHand
from bridge.ports.controls import Controls
from schemas.errors import SourceError

__all__ = ["by_hand_routes"]

_MAX_TEXT = 400
_dumps = partial(json.dumps, allow_nan=False)


def by_hand_routes(controls: Controls, pages: Pages) -> list[web.RouteDef]:
    """The routes; 404 where the source is none that a person types, 503 until it is open."""

    def asked() -> AskedByHand:
        if controls.asked_by_hand is None:
            raise web.HTTPNotFound(text='nobody is asked: the source is not kind = "typed"\n')
        return controls.asked_by_hand

    def told(status: int = 200) -> web.Response:
        try:
            return web.json_response(dict(asked().told), status=status, dumps=_dumps)
        except SourceError as fault:
            return web.json_response({"error": str(fault)}, status=503, dumps=_dumps)

    async def page(request: web.Request) -> web.Response:
        asked()
        return pages.page("by_hand/by_hand.html")

    async def state(request: web.Request) -> web.Response:
        return told()

    async def say(request: web.Request) -> web.Response:
        what, text = request.match_info["what"], request.query.get("text", "")
        seen = request.query.get("revision", "")
        if what not in SAID:
            raise web.HTTPNotFound(text=f"expected one of {', '.join(SAID)}\n")
        if len(text) > _MAX_TEXT:
            raise web.HTTPBadRequest(text=f"text: expected at most {_MAX_TEXT} characters\n")
        source = asked()
        try:
            if seen != str(source.told["revision"]):
                return told(409)
            source.say(what, text)
        except SourceError as fault:
            return web.json_response({"error": str(fault)}, status=503, dumps=_dumps)
        return told()

    return [
        web.get("/by-hand", page),
        web.get("/by-hand.json", state),
        web.post("/by-hand/{what}", say),
    ]
