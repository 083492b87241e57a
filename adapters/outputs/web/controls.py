"""What the desk asks for by POST, with which a browser names the origin of its page."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from functools import partial

from aiohttp import web

from bridge.ports.controls import BY_HAND, Controls
from schemas.errors import OutputError

__all__ = ["control_routes", "controls_at_hand", "keys_at_hand"]

_dumps = partial(json.dumps, allow_nan=False)


def controls_at_hand(controls: Controls) -> list[str]:
    """What can be asked for now: ``keep`` the last minute, ``step`` to the next frame, count
    attempts ``by_hand``, answer the questions of a source that is ``typed``."""
    found = {
        "keep": controls.keep,
        "step": controls.steps,
        "by_hand": controls.by_hand,
        "typed": controls.asked_by_hand,
    }
    return [name for name, what in found.items() if what is not None]


def keys_at_hand(controls: Controls) -> Mapping[str, str]:
    """The actions that can be marked now, by their keys."""
    return {} if controls.mark is None else controls.keys


def control_routes(controls: Controls, words: Callable[[str], str]) -> list[web.RouteDef]:
    """Each answers with ``{"words": …}``, for the user; 409 where it cannot be done.

    *words* makes of words what the page may see of them.
    """

    def told(text: str, status: int = 200) -> web.Response:
        return web.json_response({"words": words(text)}, status=status, dumps=_dumps)

    async def keep(request: web.Request) -> web.Response:
        try:
            return told(await controls.keep_last_minute())
        except OutputError as fault:
            return told(fault.detail, 409)

    async def step(request: web.Request) -> web.Response:
        try:
            controls.step()
        except OutputError as fault:
            return told(fault.detail, 409)
        return told("")

    async def mark(request: web.Request) -> web.Response:
        try:
            return told(controls.press(request.query.get("key", "")))
        except OutputError as fault:
            return told(fault.detail, 409)

    def counting(name: str) -> web.RouteDef:
        async def counted(request: web.Request) -> web.Response:
            try:
                return told(controls.count_by_hand(name))
            except OutputError as fault:
                return told(fault.detail, 409)

        return web.post(f"/{name}", counted)

    return [
        *(web.post("/keep", keep), web.post("/step", step), web.post("/mark", mark)),
        *map(counting, BY_HAND),
    ]
