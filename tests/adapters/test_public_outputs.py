"""No path of this machine is on air or at a broker; the log and the desk have it in full.

For each kind of source that has a path, in a folder that is named as its user is.
"""

from __future__ import annotations

import asyncio
import json
import logging
import shutil
from collections.abc import AsyncIterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import aiohttp
import pytest

from adapters.listen_address import ListenAddress
from adapters.outputs.mqtt import homie
from adapters.outputs.web.server import OverlayServer
from adapters.sources.process.source import ProcessMemory
from bridge.readings.frame import Frame
from schemas.output_settings import OverlayOutput
from schemas.source_settings import ProcessSource
from tests.adapters.desk_daemon import LOG, SAMPLES, Served, eventually, serving, write_sample
from tests.adapters.made_frames import listening, three

USER = "mirren tarn"
TOKEN = "a-lamp-in-the_fog-7"
WATCHES = '[[watches]]\nname = "oil"\nexpr = "courier.held"\n'


@pytest.fixture
def home(tmp_path: Path) -> Path:
    made = tmp_path / USER
    made.mkdir()
    return made


@pytest.fixture
async def http() -> AsyncIterator[aiohttp.ClientSession]:
    async with aiohttp.ClientSession() as session:
        yield session


def bridge_file(directory: Path, kind: str, path: Path) -> Path:
    made = write_sample(directory, "x", watches=WATCHES, kind=kind)
    key = "port" if kind == "serial" else "path"
    sample, named = json.dumps(str(SAMPLES / "x")), json.dumps(str(path))
    text = made.read_text("utf-8").replace(f"path = {sample}", f"{key} = {named}")
    made.write_text(text, "utf-8")
    return made


async def live(served: Served, http: aiohttp.ClientSession, parts: str) -> Any:
    async with http.ws_connect(f"{served.url}live?parts={parts}") as socket:
        return await socket.receive_json(timeout=5)


async def on_air(served: Served, http: aiohttp.ClientSession) -> str:
    """All that viewers, and pages for them, are given."""
    parts = [json.dumps(await live(served, http, each)) for each in ("", "heap")]
    for path in ("", "overlay", "frame.json"):
        async with http.get(served.url + path) as answer:
            assert answer.status == 200
            parts.append(await answer.text())
    return "\n".join(parts)


def at_broker(frame: Frame) -> bytes:
    """All that is published of a frame itself."""
    payloads = [homie.alert_payload(frame), homie.frame_payload(frame)]
    return b"\n".join([*payloads, *homie.bridge_payloads(frame).values()])


def newest(served: Served) -> Frame | None:
    return served.overlay._frame


# a dump that is not there ends lowhalf at once, with the path in the message
GONE = [
    ("folder", "dumps", "folder dumps is not there"),
    ("recording", "lap.mcap", "recording lap.mcap is not there"),
    ("shared", "ram", "shared ram is not there"),
    ("serial", "ttyTide", "serial ttyTide is not there"),
]


@pytest.mark.parametrize(("kind", "name", "words"), GONE)
async def test_a_source_that_is_not_there_is_told_by_its_kind_and_name(
    home: Path,
    http: aiohttp.ClientSession,
    caplog: pytest.LogCaptureFixture,
    kind: str,
    name: str,
    words: str,
) -> None:
    caplog.set_level(logging.WARNING, LOG.name)
    async with serving(bridge_file(home, kind, home / name)) as served:
        await eventually(lambda: newest(served) is not None, 10, "offline")
        frame = newest(served)
        assert frame is not None
        shown = await on_air(served, http)
        assert USER not in shown
        assert words in shown
        assert USER.encode() not in at_broker(frame)
        assert homie.alert_payload(frame).decode().startswith(words)
        # the person at the machine is told which file is meant
        desk = await live(served, http, "desk")
        assert str(home / name) in desk["note"]
        assert str(home / name) in caplog.text


async def test_a_source_that_is_there_has_no_path_either(
    home: Path, http: aiohttp.ClientSession
) -> None:
    dump = home / "lantern_room.bin.gz"
    shutil.copy(next(SAMPLES.glob("*.bin.gz")), dump)
    async with serving(bridge_file(home, "file", dump)) as served:
        await eventually(lambda: newest(served) is not None, 10, "a frame")
        frame = newest(served)
        assert frame is not None
        assert f'"source": "file {dump.name}"' in await on_air(served, http)
        assert USER not in await on_air(served, http)
        assert USER.encode() not in at_broker(frame)


def test_a_process_is_told_without_the_folder_of_its_program(home: Path) -> None:
    """Both of what the bridge file names, and of what the process has mapped."""
    name = str(home / "emulator")
    source = ProcessMemory(ProcessSource(kind="process", name=name), {})
    source._search.files.add(str(home / "guest ram"))
    reason = f"{source.name}: the game may be at 0x10 (export, in {home / 'guest ram'})"
    made = Frame(0, 1.0, "", source.name, "guarded", list, paths=source.paths)
    frame = made.offline(reason, 1.0)
    assert homie.alert_payload(frame) == (
        b"process emulator: the game may be at 0x10 (export, in guest ram)"
    )
    assert homie.bridge_payloads(frame)["source"] == b"process emulator"


async def test_where_others_can_reach_the_pages_the_desk_has_no_paths_either(
    home: Path, http: aiohttp.ClientSession, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(ListenAddress, "is_loopback", property(lambda self: False))
    server = OverlayServer(
        OverlayOutput(listen="127.0.0.1:0"), logging.getLogger("test"), token=TOKEN
    )
    async with listening(server):
        made = replace(three(1), paths=(f"{home}/ram",))
        server.publish(made.offline(f"shared ram: {home}/ram shrank", 1.0))
        url = f"{server.url}live?parts=desk&token={TOKEN}"
        async with http.ws_connect(url) as socket:
            text = await asyncio.wait_for(socket.receive_str(), 5)
    assert json.loads(text)["note"] == "shared ram shrank"
