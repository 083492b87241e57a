"""What the desk page is given beside the frames, held against what the commands print."""

from __future__ import annotations

import asyncio
import json
import logging
import threading
import time
from collections.abc import AsyncIterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import aiohttp
import pytest

from adapters.outputs.web import slow_json as web_history
from adapters.outputs.web.clients import Clients
from adapters.outputs.web.desk import Desk
from adapters.outputs.web.health import WINDOW, FrameRate
from adapters.outputs.web.server import OverlayServer
from adapters.outputs.web.slow_json import SlowJson
from adapters.sessions import tally_count
from adapters.sessions.desk_reads import history_of, tallies_of
from adapters.system_clock import SystemClock
from bridge.expressions.functions.table import FUNCTIONS
from bridge.prepared import prepare
from bridge.questions.question import Questions
from bridge.readings.frame import Frame, Stats
from bridge.readings.reading import Watch
from bridge.values.target import between, equals, near
from bridge.values.value_type import FLOAT, INTEGER, TEXT, Kind, ValueType
from schemas.errors import OutputError
from schemas.loader import load_bridge
from schemas.output_settings import OverlayOutput
from tests.adapters.desk_daemon import SAMPLES, Served, eventually, printed, serving, write_sample
from tests.adapters.made_frames import frame, good, listening
from tests.commands import practice_files
from tests.commands.command import lowhalf

LOG = logging.getLogger("test")
HOLD = "first-print-stale-hold.bin.gz"
WATCHES = """
[[watches]]
name = "held"
label = "In hand"
group = "Hand"
expr = "courier.held"
[[watches]]
name = "held_x_low"
group = "Hand"
expr = "low(courier.held.position.x)"
show = "hex"
target = { between = [0x9000, 0x9FFF] }
[[watches]]
name = "room"
expr = "current_room.name"
"""
JSON_PATHS = ["names.json", "history.json", "tallies.json", "layouts.json"]


@pytest.fixture
async def http() -> AsyncIterator[aiohttp.ClientSession]:
    async with aiohttp.ClientSession() as session:
        yield session


@pytest.fixture
async def desk(tmp_path: Path) -> AsyncIterator[Served]:
    async with serving(write_sample(tmp_path, HOLD, watches=WATCHES)) as served:
        yield served


async def snapshot(
    desk: Served, http: aiohttp.ClientSession, parts: str, wanted: str = "frame"
) -> dict[str, Any]:
    """The first snapshot in which *wanted* is there."""
    async with http.ws_connect(f"{desk.url}live?parts={parts}") as live:
        while True:
            found: dict[str, Any] = await live.receive_json(timeout=5)
            await live.send_str("ack")
            if found[wanted]:
                return found


# The part "desk"


async def test_readings_say_what_their_watches_are(
    desk: Served, http: aiohttp.ClientSession
) -> None:
    shown = await snapshot(desk, http, "desk")
    added = ("expression", "type", "pointer", "group", "show", "target_range")
    assert [[reading[key] for key in added] for reading in shown["readings"]] == [
        ["courier.held", "Actor*", True, "Hand", "", None],
        ["low(courier.held.position.x)", "u16", False, "Hand", "hex", [0x9000, 0x9FFF]],
        ["current_room.name", "char[16]", False, "", "", None],
    ]
    assert shown["health"] == {
        "rate": 0.0,
        "outputs": [{"kind": "overlay", "state": "1 page connected", "skipped": 0}],
        "layouts": [],
        "tallies": False,
        "history": False,
        "pasts": True,
        "controls": [],
        "keys": {},
        "pages": [],
        "notice": "",
    }
    assert shown["stats"]["frames"] == 1
    plain = await snapshot(desk, http, "")
    assert "health" not in plain
    assert "expression" not in plain["readings"][0]


async def test_watches_that_wait_say_what_they_are(http: aiohttp.ClientSession) -> None:
    server = OverlayServer(OverlayOutput(listen="127.0.0.1:0"), LOG)
    async with listening(server):
        server.announce([Watch("oil", "", "courier.oil", INTEGER, group="Lamp")])
        async with http.ws_connect(server.url + "live?parts=desk") as live:
            shown = await live.receive_json(timeout=2)
    assert shown["readings"][0]["group"] == "Lamp"
    assert shown["health"]["rate"] == 0.0


SINGLE = ValueType(Kind.FLOAT, 32, True, name="f32")


@pytest.mark.parametrize(
    ("target", "expected"),
    [
        (near(120.0, 0.5, FLOAT), [119.5, 120.5]),
        (between(3, 9, INTEGER), [3, 9]),
        (equals(4, INTEGER), [4, 4]),
        (equals("lamp", TEXT), None),
        (near(1.7e308, 1.7e308, FLOAT), None),
    ],
)
async def test_the_range_of_a_target(
    http: aiohttp.ClientSession, target: Any, expected: list[float] | None
) -> None:
    watch = Watch("w", "", "w", FLOAT, target=target)
    server = OverlayServer(OverlayOutput(listen="127.0.0.1:0"), LOG)
    async with listening(server):
        server.publish(frame(1, [good(watch, 3)]))
        async with http.ws_connect(server.url + "live?parts=desk") as live:
            shown = await live.receive_json(timeout=2)
    assert shown["readings"][0]["target_range"] == expected


async def test_what_ages_is_sent_anew_while_the_game_stands(
    desk: Served, http: aiohttp.ClientSession, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(Clients, "REPEAT", 0.1)
    async with http.ws_connect(desk.url + "live?parts=desk") as live:
        shown = await live.receive_json(timeout=3)
        while shown["frame"] is None:
            await live.send_str("ack")
            shown = await live.receive_json(timeout=3)
        assert shown["health"]["outputs"][0]["state"] == "1 page connected"
        async with http.ws_connect(desk.url + "live"):
            await live.send_str("ack")
            shown = await live.receive_json(timeout=5)
            while shown["health"]["outputs"][0]["state"] != "2 pages connected":
                assert shown["held"] < 6
                await live.send_str("ack")
                shown = await live.receive_json(timeout=5)


# The rate


@dataclass
class Clock:
    now: float = 100.0

    def __call__(self) -> float:
        return self.now


def counted(frames: int) -> Frame:
    return Frame(1, 0.0, "", "", "", list, Stats(frames=frames))


def test_the_rate_is_that_of_the_last_seconds() -> None:
    clock = Clock()
    rate = FrameRate(clock)
    assert rate.rate == 0.0
    for count in range(1, 301):
        rate.saw(counted(count))
        clock.now += 1 / 60
    assert rate.rate == pytest.approx(60, rel=0.01)
    for count in range(301, 361):
        rate.saw(counted(count))
        rate.saw(counted(count))  # shown again: no frame of the game
        clock.now += 1 / 20
    assert rate.rate == pytest.approx(20, rel=0.03)
    clock.now += WINDOW + 0.1
    assert rate.rate == 0.0
    rate.saw(counted(1))  # another source counts from the start
    clock.now += 0.5
    rate.saw(counted(11))
    assert rate.rate == pytest.approx(20)


def test_the_rate_by_a_clock_that_stands_still_between_frames() -> None:
    """PEP 418: the monotonic clock of Windows moves on every 15.6 ms."""
    clock = Clock()
    rate = FrameRate(clock)
    rate.saw(counted(1))
    rate.saw(counted(2))
    assert rate.rate == 0.0
    clock.now += 1 / 64
    rate.saw(counted(3))
    assert rate.rate == pytest.approx(128)


@pytest.mark.parametrize("wanted", [0.1, 0.25, 0.5, 1.0, 2.0])
def test_a_slow_rate_stands_still(wanted: float) -> None:
    clock = Clock()
    rate = FrameRate(clock)
    rate.saw(counted(1))
    for count in range(2, 6):
        clock.now += 1 / wanted
        rate.saw(counted(count))
        for _ in range(9):  # whenever a page looks between two frames
            assert rate.rate == pytest.approx(wanted)
            clock.now += 0.1 / wanted
        clock.now -= 0.9 / wanted
    clock.now += 2.5 / wanted + WINDOW
    assert rate.rate == 0.0
    rate.saw(counted(6))
    clock.now += 1 / 60
    rate.saw(counted(7))
    assert rate.rate == pytest.approx(60)  # the pause is over


async def test_the_rate_of_a_real_daemon(tmp_path: Path, http: aiohttp.ClientSession) -> None:
    path = write_sample(tmp_path, "demo.mcap", kind="recording", watches=WATCHES)
    rates: list[float] = []
    async with serving(path) as desk:
        for _ in range(5):  # a busy machine may miss frames for a while
            await asyncio.sleep(WINDOW)
            rates.append((await snapshot(desk, http, "desk"))["health"]["rate"])
            if 50 < rates[-1] < 66:
                return
    raise AssertionError(rates)


# Names


async def test_the_names_of_the_running_build(desk: Served, http: aiohttp.ClientSession) -> None:
    await snapshot(desk, http, "")
    names = await desk.get(http, "names.json")
    bridge = load_bridge(desk.bridge)
    assert names["build"] == "first-print"
    assert set(names["symbols"]) == set(bridge.schema.file.symbols)
    assert names["symbols"]["courier"] == {"type": "Actor", "to": "Actor"}
    assert names["symbols"]["actor_head"] == {"type": "Actor*", "to": "Actor"}
    assert names["symbols"]["frame_began"] == {"type": "u32", "to": ""}
    structs = names["structs"]
    assert set(structs) == {*bridge.schema.file.structs, *bridge.schema.file.flags}
    fields = structs["Actor"]["fields"]
    assert list(fields) == list(bridge.schema.file.structs["Actor"].fields)
    assert fields["position"] == {"type": "Vec3", "doc": "world units", "to": "Vec3"}
    assert fields["satchel"] == {"type": "Parcel[8]", "doc": "", "to": "Parcel"}
    assert fields["watchers"]["to"] == "Actor"
    assert fields["holder"] == {
        "type": "Actor**",
        "doc": "the held pointer that points here",
        "to": "",
    }
    assert fields["shade"]["type"] == "u32 bits 24 to 26"
    assert fields["flags"]["to"] == "ActorFlags"
    assert structs["ActorFlags"]["fields"]["lit"] == {"type": "bool", "doc": "", "to": ""}
    assert names["enums"]["Tide"] == ["ebb", "slack", "flood"]
    assert names["watches"][1] == {
        "name": "held_x_low",
        "label": "held_x_low",
        "expression": "low(courier.held.position.x)",
        "group": "Hand",
    }


async def test_every_name_that_leads_on_is_followed_by_its_fields(
    desk: Served, http: aiohttp.ClientSession
) -> None:
    """What the page would complete is what the language takes."""
    await snapshot(desk, http, "")
    names = await desk.get(http, "names.json")
    tried = 0
    for name, symbol in names["symbols"].items():
        if not symbol["to"]:
            continue
        index = "[0]" * symbol["type"].count("[")
        field = next(iter(names["structs"][symbol["to"]]["fields"]))
        answer = await desk.ask(http, f"address({name}{index}.{field})")
        assert answer["error"] is None, answer["error"]
        tried += 1
    assert tried > 5


async def test_every_function_has_its_call_and_a_line_on_it(
    desk: Served, http: aiohttp.ClientSession
) -> None:
    functions = (await desk.get(http, "names.json"))["functions"]
    assert [each["name"] for each in functions] == list(FUNCTIONS)
    for each in functions:
        assert each["call"].startswith(f"{each['name']}(")
        assert len(each["doc"]) > 7 or each["name"] in ("len",), each
        assert "\n" not in each["doc"]
        assert not each["doc"].endswith(".")


# Attempts and tallies


@pytest.fixture
async def practised(tmp_path: Path) -> AsyncIterator[tuple[Path, OverlayServer]]:
    """The pages of a bridge whose attempts were made by a daemon that has ended."""
    path = practice_files.write(tmp_path)
    done = await asyncio.to_thread(lowhalf, "run", str(path), "--quiet")
    assert done.returncode == 0, done.stderr
    bridge = load_bridge(path)
    ready = prepare(bridge)
    server = OverlayServer(
        OverlayOutput(listen="127.0.0.1:0"),
        LOG,
        desk=Desk(
            bridge.schema,
            ready,
            Questions(SystemClock()),
            history=history_of(bridge),
            tallies=tallies_of(
                bridge,
                ready,
                lambda: asyncio.run(tally_count.counted(bridge, ready, tell=print)).counts,
            ),
        ),
    )
    async with listening(server):
        yield path, server


async def test_the_history_is_what_the_command_prints(
    practised: tuple[Path, OverlayServer], http: aiohttp.ClientSession
) -> None:
    path, server = practised
    expected = await printed("attempts", str(path), "--json", "--last", "200")
    assert len(expected["attempts"]) == 5
    async with http.get(server.url + "history.json") as answer:
        assert json.loads(await answer.text()) == expected


async def test_the_tallies_are_what_the_command_prints(
    practised: tuple[Path, OverlayServer], http: aiohttp.ClientSession
) -> None:
    path, server = practised
    expected = await printed("tally", str(path), "--json")
    assert expected["tallies"][0]["moments"] > 3
    async with http.get(server.url + "tallies.json") as answer:
        assert json.loads(await answer.text()) == expected


async def test_a_running_daemon_tells_of_the_present_attempt(
    tmp_path: Path, http: aiohttp.ClientSession
) -> None:
    path = practice_files.write(tmp_path, speed=1, repeat=True)
    with path.open("a", encoding="utf-8") as file:
        file.write('[outputs.overlay]\nlisten = "127.0.0.1:0"\n')
    async with serving(path) as desk:
        shown = await snapshot(desk, http, "desk")
        assert (shown["health"]["history"], shown["health"]["tallies"]) == (True, True)
        async with asyncio.timeout(10):
            history: Any = None
            while not history or "open" not in [a["outcome"] for a in history["attempts"]]:
                await asyncio.sleep(0.1)
                history = await answered(desk, http, "history.json")
    assert history["running"] is True


async def answered(desk: Served, http: aiohttp.ClientSession, name: str) -> Any:
    """A file that is being made just now may hold nothing yet."""
    async with http.get(desk.url + name) as answer:
        return json.loads(await answer.text()) if answer.status == 200 else None


async def test_without_attempts_and_tallies_both_are_null(
    desk: Served, http: aiohttp.ClientSession
) -> None:
    assert await desk.get(http, "history.json") is None
    assert await desk.get(http, "tallies.json") is None


async def test_a_damaged_file_is_told(
    practised: tuple[Path, OverlayServer],
    http: aiohttp.ClientSession,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(web_history, "LASTS", 0.0)
    path, server = practised
    (kept,) = path.parent.glob("*.attempts.sqlite")
    kept.write_bytes(b"no database at all" * 100)
    async with http.get(server.url + "history.json") as answer:
        assert answer.status == 503
        assert (await answer.json())["error"].startswith(
            "attempts: p.attempts.sqlite is no database"
        )
    kept.unlink()
    async with http.get(server.url + "history.json") as answer:
        assert (answer.status, await answer.text()) == (200, "null")


async def test_many_pages_cost_one_reading(monkeypatch: pytest.MonkeyPatch) -> None:
    read = 0

    def slow() -> dict[str, Any]:
        nonlocal read
        read += 1
        time.sleep(0.05)
        return {"read": read}

    answer = SlowJson(slow, "test")
    answers = await asyncio.gather(*(answer.response() for _ in range(20)))
    assert {each.text for each in answers} == {'{"read": 1}'}
    monkeypatch.setattr(web_history, "LASTS", 0.0)
    assert (await answer.response()).text == '{"read": 2}'


async def test_reading_does_not_block() -> None:
    """The reading ends well only where the loop goes on meanwhile."""
    go_on = threading.Event()
    answer = SlowJson(lambda: {"went on": go_on.wait(5)}, "test")
    asking = asyncio.create_task(answer.response())
    asyncio.get_running_loop().call_later(0.05, go_on.set)
    assert (await asking).text == '{"went on": true}'


async def test_what_cannot_be_read_is_an_error_and_what_is_wrong_is_raised() -> None:
    def refuse() -> None:
        raise OutputError("is damaged", output="attempts")

    answer = await SlowJson(refuse, "test").response()
    assert (answer.status, answer.text) == (503, '{"error": "attempts: is damaged"}')
    with pytest.raises(ZeroDivisionError):
        await SlowJson(lambda: {"a": 1 // 0}, "test").response()


# Layouts


async def save(bridge: Path, layout: Path, dump: str) -> None:
    done = await asyncio.to_thread(
        lowhalf, "layout", "save", str(bridge), str(layout), "--dump", str(SAMPLES / dump)
    )
    assert done.returncode == 0, done.stderr


LAYOUTS = """
[layouts]
same = "same.layout.toml"
other = "other.layout.toml"
export = "export.layout.toml"
"""


async def test_layouts_are_compared_as_the_command_does(
    tmp_path: Path, http: aiohttp.ClientSession
) -> None:
    path = write_sample(tmp_path, HOLD, tables=LAYOUTS)
    for name, dump in (
        ("same", HOLD),
        ("other", "first-print-stale-reuse.bin.gz"),
        ("export", "export-carry.bin.gz"),
    ):
        await save(path, tmp_path / f"{name}.layout.toml", dump)
    async with serving(path) as desk:
        assert desk.questions.open == []
        found = await desk.get(http, "layouts.json")
        health = (await snapshot(desk, http, "desk"))["health"]
    assert health["layouts"] == ["same", "other", "export"]
    assert found["frame"] == 741
    for shown in found["layouts"]:
        file = tmp_path / f"{shown['name']}.layout.toml"
        command = await printed("layout", "compare", str(path), str(file), "--json")
        assert [shown[key] for key in ("matches", "first", "lines", "omitted")] == [
            command["matches"],
            command["first"],
            command["lines"],
            0,
        ]
        if shown["name"] == "same":
            assert (shown["matches"], shown["words"]) == (True, "matches: 3 blocks")
        else:
            assert (shown["matches"], shown["words"]) == (False, command["difference"])
    assert found["layouts"][1]["note"] == ""
    assert found["layouts"][2]["note"] == (
        "saved on export, compared on first-print, where sizes may differ; "
        "ignore_sizes in [layouts] compares owners and use alone"
    )


async def test_without_layouts_there_is_none(desk: Served, http: aiohttp.ClientSession) -> None:
    await snapshot(desk, http, "")
    assert await desk.get(http, "layouts.json") == {"frame": 741, "layouts": []}
    assert desk.questions.open == []


# The heap, walked for those who look


@pytest.mark.parametrize("kind", ["file", "recording"])
async def test_the_heap_is_asked_for_while_a_page_shows_it(
    tmp_path: Path, http: aiohttp.ClientSession, kind: str
) -> None:
    dump = HOLD if kind == "file" else "demo.mcap"
    path = write_sample(tmp_path, dump, kind=kind)
    async with serving(path) as desk:
        assert (await snapshot(desk, http, "desk"))["frame"]
        assert desk.questions.open == []
        async with (
            http.ws_connect(desk.url + "live?parts=heap") as first,
            http.ws_connect(desk.url + "live?parts=heap") as second,
        ):
            shown = [await first.receive_json(timeout=3), await second.receive_json(timeout=3)]
            assert [question.text for question in desk.questions.open] == ["len(blocks())"]
            while not shown[0]["heap"]:
                await first.send_str("ack")
                shown[0] = await first.receive_json(timeout=3)
        await eventually(lambda: not desk.questions.open, 3, "closed")
    heap = shown[0]["heap"]
    if kind == "file":
        expected = await printed("heap", str(path), "--json")
        assert [
            {"start": start, "size": size, "used": used, "owner": heap["owners"][owner]}
            for start, size, used, owner in heap["blocks"]
        ] == [
            {key: block[key] for key in ("start", "size", "used", "owner")}
            for block in expected["blocks"]
        ]
        assert (heap["damaged"], heap["frame"]) == (expected["damaged"], 741)
    else:
        assert (heap["count"], heap["damaged"]) == (6, None)
        assert heap["frame"] <= shown[0]["frame"]


# To whom


@pytest.mark.parametrize("path", JSON_PATHS)
@pytest.mark.parametrize(
    ("headers", "status"),
    [
        ({"Host": "evil.example"}, 421),
        ({"Origin": "http://evil.example"}, 403),
        ({"Origin": "null"}, 403),
        ({"Sec-Fetch-Site": "cross-site", "Sec-Fetch-Mode": "no-cors"}, 403),
    ],
)
async def test_strangers_get_no_data(
    desk: Served, http: aiohttp.ClientSession, path: str, headers: dict[str, str], status: int
) -> None:
    async with http.get(desk.url + path, headers=headers) as answer:
        assert answer.status == status
        assert "courier" not in await answer.text()
        assert "Access-Control-Allow-Origin" not in answer.headers


@pytest.mark.parametrize("path", [*JSON_PATHS, "ask", "desk"])
async def test_every_answer_carries_the_headers(
    desk: Served, http: aiohttp.ClientSession, path: str
) -> None:
    async with http.get(desk.url + path) as answer:
        headers = answer.headers
    policy = headers["Content-Security-Policy"].split("; ")
    assert policy[:2] == ["default-src 'none'", "script-src 'self'"]
    assert "unsafe-eval" not in headers["Content-Security-Policy"]
    assert headers["X-Content-Type-Options"] == "nosniff"
    assert headers["Cache-Control"] == "no-store"


@pytest.mark.parametrize("path", [*JSON_PATHS, "ask", "desk"])
@pytest.mark.parametrize("method", ["POST", "PUT", "DELETE"])
async def test_nothing_is_taken(
    desk: Served, http: aiohttp.ClientSession, path: str, method: str
) -> None:
    async with http.request(method, desk.url + path, data=b"x") as answer:
        assert answer.status == 405
