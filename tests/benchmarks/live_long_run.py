"""The real command in real time, with a real guest, broker and browser that come and go."""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import pty
import random
import secrets
import signal
import socket
import subprocess
import sys
import threading
import time
from collections import Counter
from collections.abc import AsyncIterator, Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from urllib.parse import quote

import aiohttp
import psutil

from tests.adapters.browser import chromium, new_page
from tests.adapters.mosquitto import Mosquitto, free_port, until
from tests.adapters.raw_websocket import RawWebSocket
from tests.benchmarks.held import Held, of_process
from tests.guest import build as guest_build
from tests.guest import practice
from tests.guest.machine import GuestMachine

Say = Callable[[Held], None]

SCHEMA = Path(__file__).parents[2] / "schemas" / "games" / "tidewright.schema.toml"
EVERY = 20.0
"""Seconds between two looks at what the daemon holds, each when all is there again."""

BRIDGE = """
schema = "SCHEMA"
[source]
kind = "shared"
path = "RAM"
[sampling]
rate = 60
frame = "frame_began"
guard = { began = "frame_began", ended = "frame_ended" }
[[watches]]
name = "x"
expr = "courier.position.x"
[[watches]]
name = "held_x_low"
expr = "low(courier.held.position.x)"
show = "hex"
target = { between = [0x1000, 0x9000] }
[[watches]]
name = "held_by"
expr = "owner(courier.held)"
[[watches]]
name = "actors"
expr = "len(chain(actor_head, 'next'))"
[[watches]]
name = "average"
expr = "average(courier.position.x, 60)"
[[watches]]
name = "doors"
expr = "tally(held_x_low, change(current_room.index) != 0)"
TABLES
[outputs.overlay]
listen = "127.0.0.1:0"
[outputs.mqtt]
url = "MQTT"
"""
SHOWS_VALUES = "[...document.querySelectorAll('.value')].some((e) => e.textContent !== '')"
QUESTIONS = (
    "courier.position.x * {n}",
    "len([b for b in blocks() if b.size > {n}])",
    "nothing_{n}",
)


@dataclass
class LiveRun:
    """What a run measured: rows over time, and how often each thing happened."""

    rows: list[Held] = field(default_factory=list)
    happened: Counter[str] = field(default_factory=Counter)
    log: str = ""


class _Daemon:
    """``lowhalf run`` on a terminal of its own, which is read as fast as it writes."""

    def __init__(self, bridge: Path, directory: Path, port: int) -> None:
        self._told = directory / "told"
        self.log_path = directory / "log"
        ours, theirs = pty.openpty()
        with self.log_path.open("wb") as log:
            self.process = subprocess.Popen(
                [
                    *(sys.executable, "-m", "tests.benchmarks.measured_daemon", str(self._told)),
                    *("run", str(bridge), "--listen", f"127.0.0.1:{port}"),
                ],
                cwd=Path(__file__).parents[2],
                env={**os.environ, "TERM": "xterm"},
                stdin=subprocess.DEVNULL,
                stdout=theirs,
                stderr=log,
            )
        os.close(theirs)
        self.painted = 0
        self._reader = threading.Thread(target=self._read, args=(ours,), daemon=True)
        self._reader.start()

    def _read(self, terminal: int) -> None:
        with contextlib.suppress(OSError):  # what a terminal says whose program has ended
            while piece := os.read(terminal, 65536):
                self.painted += len(piece)
        os.close(terminal)

    async def held(self, at: str) -> Held:
        lines = self._lines()
        self.process.send_signal(signal.SIGUSR1)
        await until(lambda: self._lines() > lines, 20, "the daemon's word on what it holds")
        told = json.loads(self._told.read_text().splitlines()[-1])
        resident, descriptors, threads = of_process(psutil.Process(self.process.pid))
        return Held(at, resident, descriptors, threads, **told)

    def _lines(self) -> int:
        return self._told.read_text().count("\n") if self._told.exists() else 0

    def end(self) -> int:
        self.process.terminate()
        try:
            return self.process.wait(20)
        except subprocess.TimeoutExpired:
            self.process.kill()
            return self.process.wait()


class _Watching:
    """A WebSocket client that stays for the whole run, and knows the newest snapshot."""

    def __init__(self) -> None:
        self.newest: dict[str, Any] = {}

    async def stay(self, url: str) -> None:
        async with aiohttp.ClientSession() as session, session.ws_connect(f"{url}live") as socket:
            async for message in socket:
                self.newest = json.loads(message.data)
                await socket.send_str("ack")
        raise ConnectionError("the server closed the connection that should stay")

    @property
    def is_well(self) -> bool:
        return any(reading["status"] == "ok" for reading in self.newest.get("readings", ()))


class _World:
    """All that comes and goes around one daemon."""

    def __init__(self, directory: Path, broker: Mosquitto, browser: str) -> None:
        self.chance = random.Random(11)
        self.happened: Counter[str] = Counter()
        self.latest = ""
        self.broker = broker
        self._directory = directory
        self._browser = browser
        built = guest_build.build(directory)
        self._elves = [built[name] for name in sorted(built)]
        # every build is run under one name, so that its RAM is always the same file
        self._elf = directory / "game" / "game.elf"
        self._elf.parent.mkdir()
        self.ram = directory / "game.ram"
        self.guest = self._start()

    def _start(self) -> GuestMachine:
        self._elf.unlink(missing_ok=True)
        self._elf.symlink_to(self._elves[self.happened["emulators"] % len(self._elves)])
        self.happened["emulators"] += 1
        guest = GuestMachine(self._elf, self._directory)
        guest.command("practice")
        return guest

    async def emulator_restarts(self, url: str) -> None:
        self.guest.close()
        await asyncio.sleep(self.chance.uniform(0.3, 2.5))
        self.guest = await asyncio.to_thread(self._start)

    async def game_resets(self, url: str) -> None:
        self.guest.reset()
        self.happened["resets"] += 1
        await asyncio.sleep(2)
        await asyncio.to_thread(self.guest.command, "practice")

    async def broker_restarts(self, url: str) -> None:
        self.happened["brokers"] += 1
        if self.happened["brokers"] % 3 == 0:
            self.broker.freeze()
            await asyncio.sleep(4)
            self.broker.thaw()
            return
        self.broker.kill()
        await asyncio.sleep(self.chance.uniform(0.2, 3.0))
        await asyncio.to_thread(self.broker.start)

    async def pages_come(self, url: str) -> None:
        """A tab of the browser with each page, which is looked at and closed again."""
        for path in ("overlay", "desk"):
            async with new_page(self._browser, 1280, 720, still=False) as page:
                await page.open(url + path)
                await page.wait_for(SHOWS_VALUES, seconds=30)
                await asyncio.sleep(1)
            self.happened["tabs"] += 1

    async def clients_come(self, url: str) -> None:
        """Some that read, some that do not, some that ask; all leave without a word."""
        stalled = [await RawWebSocket.connect(url, "/live?parts=heap,desk") for _ in range(4)]
        async with aiohttp.ClientSession() as session:
            for text in QUESTIONS:
                text = text.format(n=self.happened["questions"])
                self.happened["questions"] += 1
                async with session.ws_connect(f"{url}ask?expr={quote(text, safe='')}") as asking:
                    for _ in range(5):
                        await asking.receive(timeout=20)
                        await asking.send_str("ack")
            for name in ("frame.json", "names.json", "history.json", "tallies.json", "here.svg"):
                async with session.get(url + name) as answer:
                    await answer.read()
        for client in stalled:
            client.close()
        self.happened["clients"] += len(stalled)


@contextlib.contextmanager
def _telling(daemon: _Daemon, watching: _Watching, world: _World) -> Iterator[None]:
    """What fails inside is told with what the daemon and the guest say of themselves."""
    try:
        yield
    except AssertionError as fault:
        guest = world.guest
        counters = {name: guest.read_symbol_u32(f"frame_{name}") for name in ("began", "ended")}
        about = f"{world.latest}, guest {guest.elf.resolve().name} {guest.is_running} {counters}"
        log = daemon.log_path.read_text(errors="replace")[-1500:]
        raise AssertionError(f"{fault} after {about}: {watching.newest}\n{log}") from fault


@contextlib.asynccontextmanager
async def _staying(watching: _Watching, url: str) -> AsyncIterator[asyncio.Task[None]]:
    task = asyncio.create_task(watching.stay(url))
    try:
        yield task
    finally:
        task.cancel()
        await asyncio.wait([task])


async def _run(directory: Path, seconds: float, browser: str, run: LiveRun, say: Say) -> None:
    broker = Mosquitto(directory)
    broker.start()
    with contextlib.ExitStack() as stack:
        stack.callback(broker.kill)
        world = _World(directory, broker, browser)
        stack.callback(lambda: world.guest.close())
        run.happened = world.happened
        path = directory / f"long-{secrets.token_hex(3)}.bridge.toml"
        text = BRIDGE.replace("SCHEMA", SCHEMA.as_posix()).replace("RAM", world.ram.as_posix())
        text = text.replace("TABLES", practice.TABLES).replace("MQTT", broker.url)
        path.write_text(text, "utf-8")
        port = free_port()
        daemon = _Daemon(path, directory, port)
        stack.callback(daemon.end)
        url = f"http://127.0.0.1:{port}/"
        await until(lambda: _answers(port), 60, "the pages")
        watching = _Watching()
        async with _staying(watching, url) as staying:
            await until(lambda: watching.is_well, 60, "the first frame")
            await asyncio.sleep(3)
            began = time.monotonic()
            look_at = 0.0
            turns = [world.emulator_restarts, world.clients_come, world.broker_restarts]
            turns += [world.pages_come, world.clients_come, world.game_resets]
            turn = 0
            while True:
                passed = time.monotonic() - began
                if passed >= look_at or passed >= seconds:
                    with _telling(daemon, watching, world):
                        await until(lambda: watching.is_well, 30, "well again")
                    # the last page's connection is cut off a moment after it is closed, and a
                    # connection that is kept alive waits for another request for a while
                    await asyncio.sleep(2)
                    run.rows.append(await daemon.held(f"{passed:.0f} s"))
                    say(run.rows[-1])
                    look_at = passed + EVERY
                if passed >= seconds:
                    break
                event = turns[turn % len(turns)]
                world.latest = event.__name__
                await event(url)
                turn += 1
                assert not staying.done(), "the connection that should stay was closed"
                assert daemon.process.poll() is None, daemon.log_path.read_text()
                await asyncio.sleep(world.chance.uniform(0.2, 1.5))
        assert daemon.end() == 0, daemon.log_path.read_text()
        run.happened["terminal KiB"] = daemon.painted >> 10
        run.log = daemon.log_path.read_text(errors="replace")


def _answers(port: int) -> bool:
    with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", port), 1):
        return True
    return False


def live_run(directory: Path, seconds: float, say: Say) -> LiveRun:
    """Run for so many seconds; *say* is told each row at once."""
    run = LiveRun()
    with chromium(directory / "profile") as browser:
        asyncio.run(_run(directory, seconds, browser, run, say))
    return run
