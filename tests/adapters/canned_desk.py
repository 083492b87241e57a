"""A server of the desk page that says what a test tells it to say.

Pages and headers are the overlay output's own; frames, answers and files are made by hand, so that
looks and load do not depend on a running daemon.
"""

from __future__ import annotations

import asyncio
import copy
import json
from collections.abc import AsyncIterator, Callable, Sequence
from contextlib import asynccontextmanager
from typing import Any, Protocol

from aiohttp import WSMsgType, web

from adapters.outputs.web.guard import WebGuard
from adapters.outputs.web.page_files import Pages

Message = dict[str, Any]
CREDIT = 2


class Past(Protocol):
    """What can be looked at again."""

    name: str

    def about(self) -> Message: ...

    async def reply(self, what: str, query: Message) -> Message: ...


class CannedDesk:
    """``snapshot`` and ``answer`` are what is sent, ``files`` what is fetched, by path.

    ``answer`` is called with the expression, and ``by_hand`` with what is counted by hand; it gives
    words and the answer's status.  After a change, ``tell`` sends it to everybody.
    """

    def __init__(self, snapshot: Message, answer: Callable[[str], Message]) -> None:
        self.snapshot = snapshot
        self.answer = answer
        self.files: dict[str, Any] = {
            "/names.json": None,
            "/history.json": None,
            "/tallies.json": None,
            "/layouts.json": {"frame": None, "layouts": []},
        }
        self.pasts: list[Past] = []
        self.beside: Callable[[Message], Message] = lambda query: {}
        self.by_hand: Callable[[str], tuple[str, int]] = lambda what: (what, 200)
        self.asked: list[str] = []
        self.url = ""
        self._speaks = asyncio.Event()
        self._speaks.set()
        self._sockets: set[web.WebSocketResponse] = set()
        self._serial = 0
        self._changed = asyncio.Event()

    @property
    def connections(self) -> int:
        """WebSockets that are open."""
        return len(self._sockets)

    def tell(self, snapshot: Message | None = None) -> None:
        """Send *snapshot*, or the same again, to all."""
        if snapshot is not None:
            self.snapshot = snapshot
        self._serial += 1
        self._changed.set()
        self._changed = asyncio.Event()

    def fall_silent(self) -> None:
        """Send nothing, with the connections left open."""
        self._speaks.clear()

    def speak(self) -> None:
        """Send again."""
        self._speaks.set()

    async def drop(self) -> None:
        """Close every connection."""
        for socket in list(self._sockets):
            await socket.close()

    async def live(self, request: web.Request) -> web.StreamResponse:
        """Answers what a page follows."""
        assert request.query.get("parts") in ("heap,desk", "desk")
        return await self._send(request, lambda: {"held": 0.0, **self.snapshot})

    async def ask(self, request: web.Request) -> web.StreamResponse:
        """Answers what a page asks."""
        text = request.query["expr"]
        self.asked.append(text)
        return await self._send(request, lambda: self.answer(text))

    async def _send(
        self, request: web.Request, make: Callable[[], Message]
    ) -> web.WebSocketResponse:
        socket = web.WebSocketResponse()
        await socket.prepare(request)
        self._sockets.add(socket)
        credit = asyncio.Semaphore(CREDIT)

        async def send() -> None:
            serial = -1
            while True:
                await credit.acquire()
                if serial == self._serial:
                    changed = self._changed
                    try:
                        async with asyncio.timeout(2.0):
                            await changed.wait()
                    except TimeoutError:
                        pass
                serial = self._serial
                await self._speaks.wait()
                await socket.send_str(json.dumps(make(), allow_nan=False))

        sender = asyncio.create_task(send())
        try:
            async for message in socket:
                if message.type is WSMsgType.TEXT and message.data == "ack":
                    credit.release()
        finally:
            self._sockets.discard(socket)
            sender.cancel()
            await asyncio.wait([sender])
        return socket


class DeskServer:
    """An address at which there is one desk after another."""

    def __init__(self) -> None:
        self.url = ""
        self.desk = CannedDesk({}, lambda text: {})
        self._pages = Pages()

    @asynccontextmanager
    async def showing(self, desk: CannedDesk) -> AsyncIterator[CannedDesk]:
        """*desk* while it is the one that is there."""
        self.desk = desk
        desk.url = self.url
        try:
            yield desk
        finally:
            await desk.drop()

    async def _page(self, request: web.Request) -> web.Response:
        name = request.match_info.get("name", "desk/desk.html")
        found = self._pages.page(name)
        if not name.endswith(".html"):
            found.headers["Cache-Control"] = "max-age=3600"  # half of what opening a page costs
        return found

    async def _practice(self, request: web.Request) -> web.Response:
        return self._pages.page("practice/practice.html")

    async def _by_hand(self, request: web.Request) -> web.Response:
        words, status = self.desk.by_hand(request.path[1:])
        return web.json_response({"words": words}, status=status)

    async def _bare(self, request: web.Request) -> web.Response:
        """A page that does nothing, for tests of single modules."""
        icon = '<!doctype html><link rel="icon" href="/pages/shared/mark.svg">'
        return web.Response(text=icon, content_type="text/html")

    async def _live(self, request: web.Request) -> web.StreamResponse:
        return await self.desk.live(request)

    async def _ask(self, request: web.Request) -> web.StreamResponse:
        return await self.desk.ask(request)

    async def _besides(self, request: web.Request) -> web.Response:
        return self._pages.page("desk/beside.html")

    async def _pasts(self, request: web.Request) -> web.Response:
        return web.json_response({"pasts": [past.about() for past in self.desk.pasts]})

    async def _past(self, request: web.Request) -> web.Response:
        name, what = request.match_info["name"], request.match_info["what"]
        for past in self.desk.pasts:
            if past.name == name:
                return web.json_response(await past.reply(what, dict(request.query)))
        raise web.HTTPNotFound(text=f"there is no past {name} any more\n")

    async def _beside_json(self, request: web.Request) -> web.Response:
        return web.json_response(self.desk.beside(dict(request.query)))

    async def _file(self, request: web.Request) -> web.Response:
        return web.json_response(self.desk.files[request.path])

    def routes(self) -> list[web.RouteDef]:
        """What is answered."""
        return [
            web.get("/desk", self._page),
            web.get("/practice", self._practice),
            web.get("/bare", self._bare),
            *(web.post(f"/{what}", self._by_hand) for what in ("count", "undo", "again")),
            web.get("/pages/{name:.+}", self._page),
            web.get("/live", self._live),
            web.get("/ask", self._ask),
            web.get("/past.json", self._pasts),
            web.get("/past/{name}/{what}.json", self._past),
            web.get("/beside", self._besides),
            web.get("/beside.json", self._beside_json),
            *(web.get(path, self._file) for path in self.desk.files),
        ]


@asynccontextmanager
async def desks() -> AsyncIterator[DeskServer]:
    """A server while it listens."""
    server = DeskServer()
    app = web.Application()
    app.add_routes(server.routes())
    runner = web.AppRunner(app, access_log=None, shutdown_timeout=0.1)
    guards: list[WebGuard] = []

    async def headers(request: web.Request, response: web.StreamResponse) -> None:
        await guards[0].add_headers(request, response)

    app.on_response_prepare.append(headers)
    await runner.setup()
    await web.TCPSite(runner, "127.0.0.1", 0).start()
    port = runner.addresses[0][1]
    guards.append(WebGuard("127.0.0.1", port))
    server.url = f"http://127.0.0.1:{port}/desk"
    try:
        yield server
    finally:
        await runner.cleanup()


def reading(watch: str, text: str = "", **more: Any) -> Message:
    """A reading as the part ``desk`` of ``/live`` has it."""
    made: Message = {
        "watch": watch, "status": "ok", "value": None, "text": text, "address": None,
        "target": None, "reason": "", "label": watch, "target_text": None, "distance": None,
        "within": None, "to_go": "", "words": "", "age": 0.0, "expression": watch, "type": "u32",
        "pointer": False, "group": "", "show": "", "target_range": None, "measured": False,
        "plain": "",
    }  # fmt: skip
    return {**made, **more}


STATS = {"frames": 9120, "skipped": 2, "lag": 3, "torn": 1, "unwhole": 0, "resets": 0, "batches": 4}
HEALTH = {
    "rate": 59.9,
    "outputs": [
        {"kind": "overlay", "state": "http://127.0.0.1:7365/", "skipped": 0},
        {"kind": "mqtt", "state": "connected to 127.0.0.1:1883", "skipped": 4},
    ],
    "layouts": ["pier"],
    "tallies": True,
    "pasts": True,
    "controls": [],
    "keys": {},
    "history": True,
    "notice": "",
    "pages": ['theme "neon": expected outline, plate, light, dark, contrast'],
}
BLOCKS = [
    (0x1F0, True, "crate"), (0x3F0, False, "free"), (0x1A0, True, "lantern"), (0x60, True, "rope"),
    (0x230, True, "mist_puff"), (0x230, True, "mist_puff"), (0x800, False, "free"),
    (0x1F0, True, "gull"), (0x140, True, "harbour_bell"), (0x90, True, "rope"),
    (0x1200, True, "room"), (0xA00, False, "free"), (0x1A0, True, "courier"),
]  # fmt: skip


def heap(blocks: list[tuple[int, bool, str]], damaged: str | None = None) -> Message:
    """The part ``heap`` with blocks of (bytes, used, owner), one behind the other."""
    owners = list(dict.fromkeys(owner for _, _, owner in blocks))
    rows, at = [], 0x8020_0000
    for size, used, owner in blocks:
        rows.append([at + 16, size, used, owners.index(owner)])
        at += size + 16
    return {
        "count": len(rows), "start": 0x8020_0000, "end": at,
        "bytes": sum(size for size, _, _ in blocks),
        "free_bytes": sum(size for size, used, _ in blocks if not used),
        "owners": owners, "blocks": rows, "held": [], "damaged": damaged, "empty": "",
    }  # fmt: skip


def practice() -> Message:
    """The second of three steps, after seventeen attempts."""
    return {
        "phase": "running", "step": "turn", "index": 2, "steps": 3, "frames": 14,
        "hint": "half a turn to the left, then let go", "reason": "", "attempt": 18,
        "attempt_frames": 61, "attempt_frames_seen": 61, "attempt_whole": True,
        "finished": [{"step": "reach the pier", "outcome": "done", "waited": 0, "frames": 47,
                      "seconds": 0.78, "frames_seen": 47, "whole": True}],
        "attempts": 17, "successes": 9, "rate": 9 / 17,
        "interval": [0.31, 0.74], "streak": 2, "cut_off": 1,
        "last": {"attempt": 17, "outcome": "success", "step": None, "reason": "", "frames": 212,
                 "frames_seen": 212, "whole": True},
        "step_rates": [
            {"step": "reach the pier", "rate": 0.94}, {"step": "turn", "rate": 0.71},
            {"step": "write", "rate": 0.8},
        ],
    }  # fmt: skip


def happened(count: int, more: Sequence[list[int | str]] = (), changes: int = 0) -> Message:
    """Heap events, the newest at most 200, and *more* rows behind them."""
    ways = ["gull allocated", "lantern where gull was", "mist_puff released"]
    events: list[list[int | str]] = [
        [n, 600 + n, ("allocated", "reused", "released")[n % 3], ways[n % 3], n % 8,
         0x80200000 + 64 * n, 0x1D0]
        for n in range(max(1, count - 199), count + 1)
    ]  # fmt: skip
    told = [*events, *more][-200:]
    return {"count": count, "changes": changes or count + 1, "numbered": True, "told": told}


def snapshot(frame: int = 812) -> Message:
    """A frame with all that there can be."""
    east = 117.0 + (frame % 60) / 20
    readings = [
        reading("oil", str(frame), value=frame, label="Lamp oil", group="Lantern",
                expression="courier.oil", address=0x80102A40),
        reading("held_kind", "lantern", value="lantern", label="In hand", target="hit",
                target_text="lantern", words="hit", type="ActorKind", group="Lantern",
                expression="courier.held.kind"),
        reading("held", "0x80200600", value=0x80200610 + 0x20, label="Held actor", pointer=True,
                type="Actor*", group="Lantern", expression="courier.held", show="hex"),
        reading("half", "0x85D8", value=0x85D8, label="Written half", target="hit", words="hit",
                target_text="0x8000 to 0x8FFF", distance=0, type="u16", group="Lantern",
                target_range=[0x8000, 0x8FFF], expression="low(courier.held.position.x)",
                show="hex", address=0x802003FE),
        reading("east", f"{east:.2f}", value=east, label="East of the pier", target="miss",
                target_text="120.0 ± 0.5", distance=120 - east, within=0.5,
                to_go=f"{120 - east:+.2f}", words=f"{120 - east:+.2f} to go", type="f32",
                group="Harbour", target_range=[119.5, 120.5], expression="courier.position.x",
                show="fixed:2"),
        reading("facing", "91.25°", value=16611, label="Facing", type="angle16", group="Harbour",
                expression="courier.facing", target="miss", target_text="90°", words="-1.25° to go",
                target_range=[16000, 16400], show="degrees"),
        reading("flags", "0b00000000000000000000100000001001", value=2057, label="Flags",
                type="ActorFlags", group="Harbour", expression="courier.flags", show="binary"),
        reading("gull", "0x80200A10", status="freed", value=0x80202000, label="The gull's perch",
                pointer=True, type="Actor*", group="Harbour", expression="gull",
                reason="gull points into a free block", plain="freed: points into a free block"),
        reading("next_x", status="null", label="Next actor, x", group="Harbour",
                expression="courier.next.position.x", plain="nothing there: a null pointer",
                reason="courier.next is null", type="f32"),
        reading("bell", "true" if frame % 90 < 45 else "false", value=frame % 90 < 45,
                label="The bell rings", type="truth", group="Harbour", expression="bell.rings"),
    ]  # fmt: skip
    return {
        "frame": frame, "time": 1.0, "build": "first-print", "source": "pier, shared memory",
        "consistency": "guarded", "note": "", "stats": {**STATS, "frames": 8308 + frame},
        "readings": readings, "practice": practice(), "practice_words": "", "heap": heap(BLOCKS),
        "heap_events": happened(3), "health": copy.deepcopy(HEALTH),
    }  # fmt: skip


def step(kind: str, label: str, type: str, hex: str, text: str = "", **more: Any) -> Message:
    return {
        "kind": kind, "label": label, "type": type, "offset": 0, "count": None, "text": text,
        "hex": hex, "address": None, "status": "ok", "reason": "", **more,
    }  # fmt: skip


STEPS = [
    step("symbol", "courier", "Actor", "0x80180B60"),
    step("add", ".held", "Actor*", "0x80180C9C", offset=0x13C),
    step("follow", "courier.held", "Actor", "0x802003D0", address=0x80180C9C),
    step("add", ".position", "Vec3", "0x802003FC", offset=0x2C),
    step("add", ".x", "f32", "0x802003FC", offset=0),
    step("value", "courier.held.position.x", "f32", "0x41DB85D8", "27.440353", address=0x802003FC),
    step("part", "low(courier.held.position.x)", "u16", "0x85D8", "34264", offset=2,
         address=0x802003FE),
    step("result", "half", "u16", "0x85D8", "0x85D8"),
]  # fmt: skip
STRIP = {
    "address": 0x802003F0,
    "bytes": [0, 3, 0x12, 0x40, 0, 0, 0, 0, None, None, 0x3F, 0x80, 0x41, 0xDB, 0x85, 0xD8],
    "value": [12, 4], "part": [14, 2], "order": "big", "type": "f32",
}  # fmt: skip


def answer(text: str) -> Message:
    """The derivation of a half for every text; an error where it has a question mark."""
    made: Message = {
        "frame": 812, "build": "first-print", "note": "", "expression": text, "error": None,
        "result": reading("result", "0x85D8", value=0x85D8, hex="0x85D8", type="u16"),
        "steps": STEPS, "strip": STRIP,
    }  # fmt: skip
    if "?" in text:
        wrong = {"message": "unexpected character", "at": text.index("?")}
        return {**made, "error": wrong, "result": None, "steps": [], "strip": None}
    return made


def _field(type: str, to: str = "", doc: str = "") -> Message:
    return {"type": type, "doc": doc, "to": to}


NAMES = {
    "build": "first-print",
    "symbols": {
        "courier": {"type": "Actor", "to": "Actor"},
        "actor_head": {"type": "Actor*", "to": "Actor"},
        "frame_began": {"type": "u32", "to": ""},
        "current_room": {"type": "Room*", "to": "Room"},
    },
    "structs": {
        "Vec3": {"fields": {"x": _field("f32"), "y": _field("f32"), "z": _field("f32")}},
        "Actor": {
            "fields": {
                "kind": _field("ActorKind"),
                "position": _field("Vec3", "Vec3", "world units"),
                "held": _field("Actor*", "Actor"),
                "next": _field("Actor*", "Actor"),
            }
        },
        "Room": {"fields": {"name": _field("char[16]"), "actors": _field("Actor[4]", "Actor")}},
    },
    "enums": {"ActorKind": ["courier", "lantern", "crate"]},
    "functions": [
        {"name": "low", "call": "low(p)", "doc": "low half of a stored value"},
        {"name": "chain", "call": 'chain(head, "next")', "doc": "the places on a linked list"},
        {"name": "change", "call": "change(x)", "doc": "value now minus a frame ago"},
    ],
    "watches": [{"name": "oil", "label": "Lamp oil", "expression": "courier.oil", "group": ""}],
}


def attempt(
    number: int, outcome: str, at: str | None, reason: str = "", missed: int | None = 0
) -> Message:
    """An attempt as ``lowhalf attempts --json`` has it; *missed* is None where it is not known."""
    return {
        "attempt": number, "build": "first-print", "began": 1.0, "began_frame": 1,
        "outcome": outcome, "step": at, "reason": reason, "frames": 180 + number,
        "seconds": (180 + number) / 60, "steps": [], "kept": {},
        "frames_seen": None if missed is None else 180 + number - missed,
        "whole": None if missed is None else missed == 0,
    }  # fmt: skip


HISTORY = {
    "file": "pier.attempts.sqlite",
    "running": True,
    "totals": {
        "attempts": 17, "successes": 9, "rate": 9 / 17, "interval": [0.31, 0.74], "streak": 2,
        "cut_off": 1, "frames": {"best": 188, "median": 203.5},
        "seconds": {"best": 3.13, "median": 3.39},
    },
    "steps": [{"step": name} for name in ("reach the pier", "turn", "write")],
    "attempts": [
        attempt(12, "cut-off", "turn", missed=None),
        attempt(13, "failed", "write", "the half went to another block"),
        attempt(14, "given-up", "turn"),
        attempt(15, "failed", "turn", missed=3),
        attempt(16, "success", None),
        attempt(17, "success", None),
    ],
}  # fmt: skip
TALLIES = {
    "tallies": [
        {
            "expression": "tally(gull.turn, change(gull.state) != 0)",
            "build": "first-print",
            "moments": 128,
            "values": [
                {"value": 1, "text": "left", "count": 71, "share": 71 / 128},
                {"value": 2, "text": "right", "count": 49, "share": 49 / 128},
                {"value": None, "text": "no value", "count": 8, "share": 8 / 128},
            ],
        }
    ]
}


def _laid(index: int, owner: str, size: int) -> Message:
    return {"index": index, "owner": owner, "size": size, "used": owner != "free", "at": None}


LAYOUTS = {
    "frame": 812,
    "layouts": [
        {
            "name": "pier", "title": "Crate behind the bell", "matches": False, "first": 2,
            "words": "after block 1 (free): expected lantern, 0x1A0 bytes; found rope, 0x60 bytes",
            "note": "", "omitted": 3,
            "lines": [
                {"sort": "same", "expected": _laid(0, "crate", 0x1F0),
                 "found": _laid(0, "crate", 0x1F0)},
                {"sort": "same", "expected": _laid(1, "free", 0x3F0),
                 "found": _laid(1, "free", 0x3F0)},
                {"sort": "differs", "expected": _laid(2, "lantern", 0x1A0),
                 "found": _laid(2, "rope", 0x60)},
                {"sort": "expected-only", "expected": _laid(3, "mist_puff", 0x230), "found": None},
            ],
        }
    ],
}  # fmt: skip


def full_desk() -> CannedDesk:
    """A server with everything."""
    desk = CannedDesk(snapshot(), answer)
    desk.files |= {
        "/names.json": NAMES,
        "/history.json": HISTORY,
        "/tallies.json": TALLIES,
        "/layouts.json": LAYOUTS,
    }
    return desk
