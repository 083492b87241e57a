"""The emulator is killed and started again, over and over, under one daemon with its clients.

QEMU runs the demo game; `lowhalf run` publishes to a real mosquitto and to a WebSocket client that
connects once.  The times are printed; the full size, which has the machine for itself, asserts them
as well, with room for a slow machine.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import re
import secrets
import shutil
import signal
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import aiohttp
import psutil
import pytest

from tests.adapters.mosquitto import (
    Listener,
    Mosquitto,
    needs_clients,
    needs_mosquitto,
    until,
)
from tests.commands.command import Running
from tests.guest.machine import EMULATOR, GuestMachine
from tests.guest.private_machine import PrivateMachine

SCHEMA = Path(__file__).parents[1] / "schemas" / "games" / "tidewright.schema.toml"

OFFLINE_WITHIN, BACK_WITHIN = 3.0, 6.0
"""Seconds; the aim on an idle machine is 1 and 2."""
PATIENCE = 30.0
"""Seconds after which the test fails anyhow."""
MAX_LINES = 2
"""Lines of the log that a kill and a return may cost, but for those of what is not made yet."""
UNMADE = ("whole", "found 00 00")
"""An emulator that is killed in mid-frame leaves half a one, and so does a busy machine, on which
the RAM may also be looked at before the game is in it."""
MAX_GROWTH = 5.0
"""MiB of resident memory: less than a frame's image for each round.  The allocator may keep the
place of one such image once, whenever it first finds two at a time."""
SETTLED = 10
"""Rounds after which memory is to be flat."""
DOWN = (0.3, 2.6, 0.3, 1.2)
"""Seconds for which the emulator is away, in turn: from one try of the daemon to its slowest."""
timed = [pytest.mark.full, pytest.mark.timing]

pytestmark = [
    needs_mosquitto,
    needs_clients,
    pytest.mark.needs("gcc-mips-linux-gnu", "mips-linux-gnu-gcc", "mips-linux-gnu-nm"),
    pytest.mark.needs("qemu-system-mips", "qemu-system-mips"),
]

BRIDGE = """
schema = "SCHEMA"
[source]
SOURCE
[sampling]
frame = "frame_began"
guard = { began = "frame_began", ended = "frame_ended" }
[[watches]]
name = "x"
expr = "courier.position.x"
[[watches]]
name = "seen"
expr = "courier.seen_frame"
[[watches]]
name = "most"
expr = "highest(frame_began)"
[outputs.overlay]
listen = "127.0.0.1:0"
[outputs.mqtt]
url = "MQTT"
"""


class Page:
    """A client of the overlay that connects once and stays."""

    def __init__(self) -> None:
        self.statuses: frozenset[str] = frozenset()
        self.changed_at = 0.0
        self.messages = 0

    async def read(self, url: str) -> None:
        """Until the server closes the connection, which is an error."""
        async with aiohttp.ClientSession() as session, session.ws_connect(f"{url}live") as socket:
            async for message in socket:
                self.messages += 1
                statuses = frozenset(
                    each["status"] for each in json.loads(message.data)["readings"]
                )
                if statuses != self.statuses:
                    self.statuses, self.changed_at = statuses, time.monotonic()
                await socket.send_str("ack")
        raise ConnectionError("the server closed the page's connection")


@dataclass
class Measured:
    """Seconds by round, as the page and as the broker's client saw it; MiB by round."""

    offline: list[float] = field(default_factory=list)
    offline_mqtt: list[float] = field(default_factory=list)
    back: list[float] = field(default_factory=list)
    back_mqtt: list[float] = field(default_factory=list)
    since_game: list[float] = field(default_factory=list)
    lines: list[list[str]] = field(default_factory=list)
    sizes: list[float] = field(default_factory=list)

    def __str__(self) -> str:
        def worst(of: list[float]) -> str:
            return f"{max(of):.2f} s"

        return (
            f"{len(self.back)} rounds: offline within {worst(self.offline)} "
            f"(MQTT {worst(self.offline_mqtt)}), back within {worst(self.back)} of the emulator's "
            f"start (MQTT {worst(self.back_mqtt)}) and {worst(self.since_game)} of its game's, "
            f"at most {max(map(len, self.lines))} log lines, resident "
            f"{self.sizes[min(SETTLED, len(self.sizes) - 1)]:.1f} to {self.sizes[-1]:.1f} MiB"
        )


def statuses(listener: Listener) -> frozenset[bytes]:
    """The newest status of each watch at the broker."""
    newest = {message.topic: message.payload for message in listener.heard}
    return frozenset(newest.values())


async def restart_over_and_over(
    directory: Path, source: str, start: Callable[[], GuestMachine], rounds: int
) -> Measured:
    """*start* gives a new emulator, once its game runs."""
    broker = Mosquitto(directory)
    broker.start()
    path = directory / "restarts.bridge.toml"
    text = BRIDGE.replace("SCHEMA", SCHEMA.as_posix()).replace("SOURCE", source)
    path.write_text(text.replace("MQTT", broker.url), "utf-8")
    measured = Measured()
    page = Page()
    async with contextlib.AsyncExitStack() as stack:
        stack.callback(broker.kill)
        guest = await asyncio.to_thread(start)
        stack.callback(lambda: guest.close())
        daemon = stack.enter_context(Running("run", str(path), "--quiet"))
        listener = await stack.enter_async_context(Listener(broker.port, "homie/5/+/+/status"))
        reading = asyncio.create_task(page.read(await asyncio.to_thread(daemon.url)))
        stack.callback(reading.cancel)
        process = psutil.Process(daemon.process.pid)

        async def seen(status: str, what: str) -> float:
            """The moment in which the broker's client saw it; the page has seen it too."""

            def on_page() -> bool:
                assert not reading.done(), "the page's connection was closed"
                assert daemon.process.poll() is None, daemon.logged
                return page.statuses == {status}

            try:
                await until(on_page, PATIENCE, f"{what} on the page")
                await until(
                    lambda: statuses(listener) == {status.encode()},
                    PATIENCE,
                    f"{what} at the broker",
                )
            except AssertionError as fault:
                raise AssertionError(f"{fault}: {daemon.logged[-8:]}") from fault
            return listener.heard[-1].time

        await seen("ok", "the first frame")
        await asyncio.to_thread(daemon.wait_for, "mqtt: connected")
        await asyncio.sleep(0.2)
        for number in range(rounds):
            lines, messages = len(daemon.logged), page.messages
            killed_at = time.monotonic()
            guest.close()
            heard_at = await seen("offline", "offline")
            measured.offline.append(page.changed_at - killed_at)
            measured.offline_mqtt.append(heard_at - killed_at)
            away = DOWN[number % len(DOWN)] - (time.monotonic() - killed_at)
            await asyncio.sleep(max(0.0, away))
            started_at = time.monotonic()
            guest = await asyncio.to_thread(start)
            up_at = time.monotonic()
            heard_at = await seen("ok", "back")
            measured.back.append(page.changed_at - started_at)
            measured.back_mqtt.append(heard_at - started_at)
            measured.since_game.append(page.changed_at - up_at)
            await asyncio.sleep(0.2)
            said = [line for line in daemon.logged[lines:] if not any(w in line for w in UNMADE)]
            measured.lines.append(said)
            measured.sizes.append(process.memory_info().rss / (1 << 20))
            assert page.messages > messages + 2
        assert not reading.done()
        assert await asyncio.to_thread(daemon.stop, signal.SIGTERM) == 0
    assert not any("Traceback" in line for line in daemon.logged), daemon.logged
    print(measured)
    return measured


def check(measured: Measured, rounds: int) -> None:
    print(*measured.lines[-1], sep="\n")
    assert len(measured.back) == rounds
    assert max(map(len, measured.lines)) <= MAX_LINES, max(measured.lines, key=len)
    if rounds >= 5:
        assert max(measured.offline + measured.offline_mqtt) < OFFLINE_WITHIN, measured
        assert max(measured.back + measured.back_mqtt) < BACK_WITHIN, measured
    if rounds > SETTLED + 1:
        assert measured.sizes[-1] - measured.sizes[SETTLED] < MAX_GROWTH, measured.sizes


@pytest.mark.skipif(sys.platform != "linux", reason="reads processes on Linux only")
@pytest.mark.parametrize("rounds", [2, pytest.param(20, marks=timed)])
async def test_the_process_is_killed_and_started_again(
    elf: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, rounds: int
) -> None:
    """Found by name each time: a name of its own, since others may run the same emulator."""
    name = f"tide-{secrets.token_hex(4)}"
    emulator = tmp_path / name
    emulator.symlink_to(shutil.which(EMULATOR) or EMULATOR)
    monkeypatch.setattr("tests.guest.private_machine.EMULATOR", str(emulator))
    source = f'kind = "process"\nname = "{name}"'
    measured = await restart_over_and_over(
        tmp_path, source, lambda: PrivateMachine(elf, tmp_path), rounds
    )
    check(measured, rounds)
    # each round names the process that ended, and each has its own number
    ended = [re.findall(r"process (\d+) has ended", " ".join(each)) for each in measured.lines]
    assert all(len(each) == 1 for each in ended), measured.lines
    assert len({each[0] for each in ended}) == rounds


@pytest.mark.parametrize("rounds", [2, pytest.param(5, marks=timed)])
async def test_the_ram_file_goes_and_comes_back(elf: Path, tmp_path: Path, rounds: int) -> None:
    """What an emulator, or what started it, does with its shared memory at its end."""

    class Tidy(GuestMachine):
        def close(self) -> None:
            super().close()
            self.ram_path.unlink(missing_ok=True)

    ram = tmp_path / f"{elf.stem}.ram"
    source = f'kind = "shared"\npath = "{ram.as_posix()}"'
    measured = await restart_over_and_over(tmp_path, source, lambda: Tidy(elf, tmp_path), rounds)
    check(measured, rounds)


@pytest.mark.parametrize("rounds", [2, pytest.param(5, marks=timed)])
async def test_the_ram_file_stays_behind_when_its_emulator_is_killed(
    elf: Path, tmp_path: Path, rounds: int
) -> None:
    """Its bytes stand as still as those of a game that waits: what tells is who maps the file."""
    ram = tmp_path / f"{elf.stem}.ram"
    source = f'kind = "shared"\npath = "{ram.as_posix()}"'
    measured = await restart_over_and_over(
        tmp_path, source, lambda: GuestMachine(elf, tmp_path), rounds
    )
    check(measured, rounds)
    assert ram.exists()
    ended = [re.findall(r"process (\d+) \(", " ".join(each)) for each in measured.lines]
    assert all(len(each) == 1 for each in ended), measured.lines
