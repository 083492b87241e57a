"""The whole way, for real: the game on QEMU, the daemon, mosquitto, mosquitto_sub, the pages."""

from __future__ import annotations

import asyncio
import json
import signal
import struct
from collections.abc import AsyncIterator
from pathlib import Path

import aiohttp
import pytest

from tests.adapters.mosquitto import Listener, Mosquitto, needs_clients, needs_mosquitto, until
from tests.commands.command import Running
from tests.guest.machine import GuestMachine

ROOT = Path(__file__).parent.parent

pytestmark = [
    needs_mosquitto,
    needs_clients,
    pytest.mark.needs("qemu-system-mips", "qemu-system-mips"),
    pytest.mark.needs("gcc-mips-linux-gnu", "mips-linux-gnu-gcc"),
]

BRIDGE = """
schema = "SCHEMA"
[source]
kind = "shared"
path = "RAM"
[sampling]
frame = "frame_began"
guard = { began = "frame_began", ended = "frame_ended" }
[[watches]]
name = "held_kind"
label = "In hand"
expr = "courier.held.kind"
[[watches]]
name = "held_x_low"
expr = "low(courier.held.position.x)"
show = "hex"
[[watches]]
name = "game_frame"
expr = "frame_began"
[[watches]]
name = "x"
expr = "courier.position.x"
[outputs.overlay]
listen = "127.0.0.1:0"
[outputs.mqtt]
url = "URL"
"""


@pytest.fixture
async def broker(tmp_path: Path) -> AsyncIterator[Mosquitto]:
    broker = Mosquitto(tmp_path)
    broker.start()
    yield broker
    broker.kill()


@pytest.mark.parametrize("build_name", ["first-print", "second-print", "export"])
async def test_the_live_game_reaches_every_output(
    tmp_path: Path, broker: Mosquitto, elves: dict[str, Path], build_name: str
) -> None:
    schema = (ROOT / "schemas/games/tidewright.schema.toml").as_posix()
    with GuestMachine(elves[build_name], tmp_path) as guest:
        text = BRIDGE.replace("SCHEMA", schema).replace("RAM", guest.ram_path.as_posix())
        path = tmp_path / "live.bridge.toml"
        path.write_text(text.replace("URL", broker.url), "utf-8")
        guest.hold("carry", 150)
        async with Listener(broker.port) as listener:
            with Running("run", str(path)) as daemon:
                url = await asyncio.to_thread(daemon.url)
                await asyncio.to_thread(daemon.wait_for, f"build {build_name}")
                root = "homie/5/lowhalf-live"
                await until(lambda: listener.newest(f"{root}/$state") == b"ready", 10, "ready")
                low = await expected_low_half(guest, build_name)
                await until(
                    lambda: listener.newest(f"{root}/held-x-low/value") == str(low).encode(),
                    10,
                    "the half on MQTT",
                )
                assert listener.newest(f"{root}/held-kind/text") == b"lantern"
                assert listener.newest(f"{root}/held-kind/status") == b"ok"
                async with aiohttp.ClientSession() as session:
                    async with session.get(f"{url}frame.json") as answer:
                        frame = await answer.json()
                    readings = {reading["watch"]: reading for reading in frame["readings"]}
                    assert frame["build"] == build_name
                    assert frame["consistency"] == "guarded"
                    assert readings["held_x_low"]["value"] == low
                    assert readings["held_kind"]["text"] == "lantern"
                    await follow_the_frames(session, url, guest)
                assert any("held_kind=lantern" in line for line in daemon.printed)
                assert await asyncio.to_thread(daemon.stop, signal.SIGTERM) == 0
                await until(
                    lambda: listener.newest(f"{root}/$state") == b"disconnected", 5, "good-bye"
                )


async def expected_low_half(guest: GuestMachine, build_name: str) -> int:
    """The half by hand: the courier's ``held`` pointer, plus 0x2C, plus 2."""
    courier = guest.symbols["courier"]
    offset = 0x144 if build_name == "export" else 0x13C
    (pointer,) = struct.unpack(">I", guest.read(courier + offset, 4))
    (half,) = struct.unpack(">H", guest.read(pointer + 0x2C + 2, 2))
    return int(half)


async def follow_the_frames(session: aiohttp.ClientSession, url: str, guest: GuestMachine) -> None:
    """Every snapshot's own frame counter is its frame, and the frames go on as the game's do."""
    guest.release()
    numbers: list[int] = []
    async with asyncio.timeout(30), session.ws_connect(f"{url}live") as socket:
        while len(set(numbers)) < 40 or numbers[-1] - numbers[0] <= 60:
            snapshot = json.loads((await socket.receive(timeout=5)).data)
            await socket.send_str("ack")
            readings = {reading["watch"]: reading for reading in snapshot["readings"]}
            if readings["game_frame"]["status"] == "ok":
                assert readings["game_frame"]["value"] == snapshot["frame"]
                numbers.append(snapshot["frame"])
    assert numbers == sorted(numbers)


async def test_a_game_that_ends_and_comes_back(
    tmp_path: Path, broker: Mosquitto, elves: dict[str, Path]
) -> None:
    schema = (ROOT / "schemas/games/tidewright.schema.toml").as_posix()
    directory = tmp_path / "machine"
    directory.mkdir()
    path = tmp_path / "live.bridge.toml"
    status = "homie/5/lowhalf-live/x/status"
    async with Listener(broker.port) as listener:
        with GuestMachine(elves["first-print"], directory) as guest:
            ram = guest.ram_path
            text = BRIDGE.replace("SCHEMA", schema).replace("RAM", ram.as_posix())
            path.write_text(text.replace("URL", broker.url), "utf-8")
            daemon = Running("run", str(path), "--quiet")
            daemon.__enter__()
            await until(lambda: listener.newest(status) == b"ok", 20, "ok")
        try:
            ram.unlink(missing_ok=True)
            await until(lambda: listener.newest(status) == b"offline", 5, "offline")
            assert listener.newest("homie/5/lowhalf-live/$state") == b"ready"
            assert listener.newest("homie/5/lowhalf-live/$alert/source")
            with GuestMachine(elves["first-print"], directory) as guest:
                assert guest.ram_path == ram
                await until(lambda: listener.newest(status) == b"ok", 10, "ok again")
        finally:
            daemon.__exit__(None, None, None)
    assert not any("Traceback" in line for line in daemon.logged), daemon.logged
