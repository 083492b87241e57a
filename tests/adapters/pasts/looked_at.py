"""A daemon whose recording is looked at by its routes, as pages do."""

from __future__ import annotations

import asyncio
import time
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import aiohttp

from adapters.functions import installed_functions
from adapters.outputs.web.ask import answer_json
from adapters.outputs.web.snapshot import frame_snapshot
from adapters.sessions.following import followed
from adapters.sessions.pasts.past import Forms, Past
from adapters.sources.recording.replay import RecordingReplay
from bridge.prepared import prepare, with_heap
from bridge.readings.frame import Frame
from schemas.loader import Bridge
from tests.adapters.desk_daemon import Served, serving

PATIENCE = 60.0


class Looking:
    """A page that looks at the past *name*."""

    def __init__(self, served: Served, http: aiohttp.ClientSession, name: str = "playing") -> None:
        self.served = served
        self.http = http
        self.name = name

    async def raw(self, path: str, **given: Any) -> tuple[int, Any]:
        """Status and JSON (or text) of a route, below this past where *path* has no slash."""
        whole = path if "/" in path or path in ("past.json", "beside.json") else self._below(path)
        url = self.served.url + whole.lstrip("/")
        async with self.http.get(url, params={k: str(v) for k, v in given.items()}) as answer:
            if answer.content_type == "application/json":
                return answer.status, await answer.json()
            return answer.status, await answer.text()

    async def get(self, path: str, **given: Any) -> Any:
        status, found = await self.raw(path, **given)
        assert status == 200, (path, given, status, found)
        return found

    async def whole(self) -> dict[str, Any]:
        """The timeline, once all of it is evaluated."""
        end = time.monotonic() + PATIENCE
        while True:
            found: dict[str, Any] = await self.get("timeline.json")
            if found["fault"] or (found["count"] and found["ready"] == found["count"]):
                return found
            assert time.monotonic() < end, found
            await asyncio.sleep(0.05)

    def _below(self, path: str) -> str:
        return f"past/{self.name}/{path}"


@asynccontextmanager
async def looking_at(bridge: Path, name: str = "playing") -> AsyncIterator[Looking]:
    async with serving(bridge) as served, aiohttp.ClientSession() as http:
        yield Looking(served, http, name)


async def frames_of(bridge: Bridge, recording: Path) -> list[Frame]:
    """Every frame with its heap, as commands evaluate a recording."""
    prepared = prepare(bridge, installed_functions())
    asking = {name: with_heap(each) for name, each in prepared.items()}
    frames = followed(bridge, asking, RecordingReplay(recording), tell=lambda _: None)
    return [frame async for frame in frames]


@asynccontextmanager
async def past_of(path: Path, bridge: Bridge) -> AsyncIterator[Past]:
    forms = Forms(frame_snapshot, lambda text, answer: answer_json(text, answer))
    past = Past(path, bridge, forms)
    try:
        yield past
    finally:
        await past.close()
