"""Memory of a running daemon: ``python -m tests.benchmarks.resident_memory [--seconds 600]``.

The daemon is the real command in a process of its own: an 8 MiB guest in shared memory whose frame
counters this script writes at 60 Hz, 200 watches, MQTT to a real mosquitto, the overlay with two
clients that read every frame.  Prints the resident size over time (MiB, from the operating system
through psutil) and its trend after the first fifth.
"""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import json
import random
import struct
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

import aiohttp
import psutil

from tests.adapters.mosquitto import Mosquitto

BASE = 0x8000_0000
SIZE = 8 << 20
BEGAN, ENDED, ACTORS, FIRST = 0x800, 0x804, 0x1000, 0x10_0000
COUNT = 200

SCHEMA = f"""
[game]
name = "Tidewright"
[memory]
endian = "big"
regions = [ {{ name = "ram", start = 0x8000_0000, size = "8 MiB" }} ]
[structs.Actor]
size = 0x1A0
[structs.Actor.fields]
x = {{ at = 0x2C, type = "f32" }}
facing = {{ at = 0xB6, type = "angle16" }}
[symbols]
actors = "Actor*[{COUNT}]"
frame_began = "u32"
frame_ended = "u32"
[builds.only]
recognise = [ {{ at = 0x8000_0400, text = "TIDE 1.0" }} ]
at = {{ actors = {BASE + ACTORS}, frame_began = {BASE + BEGAN}, frame_ended = {BASE + ENDED} }}
"""


@dataclass(frozen=True)
class Result:
    """Resident sizes in MiB, one a second, and what the clients saw."""

    sizes: list[float]
    snapshots: int

    @property
    def settled(self) -> list[float]:
        return self.sizes[len(self.sizes) // 5 :]

    @property
    def highest(self) -> float:
        return max(self.sizes)

    @property
    def growth(self) -> float:
        """MiB by which the last quarter's mean exceeds that of the quarter after settling."""
        settled = self.settled
        part = max(1, len(settled) // 4)
        return sum(settled[-part:]) / part - sum(settled[:part]) / part


def write_files(directory: Path, broker_port: int) -> Path:
    (directory / "m.schema.toml").write_text(SCHEMA, "utf-8")
    lines = [
        'schema = "m.schema.toml"',
        '[source]\nkind = "shared"\npath = "guest.ram"',
        '[sampling]\nframe = "frame_began"',
        'guard = { began = "frame_began", ended = "frame_ended" }',
        '[outputs.overlay]\nlisten = "127.0.0.1:0"',
        f'[outputs.mqtt]\nurl = "mqtt://127.0.0.1:{broker_port}"',
    ]
    kinds = (
        "low(actors[{n}].x)",
        "actors[{n}].facing",
        "change(actors[{n}].x)",
        "actors[{n}].x * 2",
    )
    for n in range(COUNT):
        expression = kinds[n % len(kinds)].format(n=n)
        lines.append(f'[[watches]]\nname = "w{n}"\nexpr = "{expression}"')
    path = directory / "m.bridge.toml"
    path.write_text("\n".join(lines), "utf-8")
    return path


async def guest(ram: Path, seconds: float) -> None:
    """Play a guest: write its frames' work between both counters, 60 times a second."""
    chance = random.Random(2)
    with ram.open("r+b", buffering=0) as file:
        file.truncate(SIZE)

        def put(offset: int, data: bytes) -> None:
            file.seek(offset)
            file.write(data)

        put(0x400, b"TIDE 1.0")
        for n in range(COUNT):
            put(ACTORS + 4 * n, struct.pack(">I", BASE + FIRST + n * 0x1A0))
        frame, due = 0, time.monotonic()
        end = due + seconds
        while time.monotonic() < end:
            frame += 1
            put(BEGAN, struct.pack(">I", frame))
            for n in chance.sample(range(COUNT), 40):
                put(FIRST + n * 0x1A0 + 0x2C, struct.pack(">f", chance.uniform(-9, 9)))
                put(FIRST + n * 0x1A0 + 0xB6, struct.pack(">H", chance.randrange(1 << 16)))
            put(ENDED, struct.pack(">I", frame))
            due += 1 / 60
            await asyncio.sleep(max(0.0, due - time.monotonic()))


class Page:
    """A page's connection: reads, acknowledges and counts every snapshot."""

    def __init__(self) -> None:
        self.snapshots = 0

    async def read(self, url: str) -> None:
        async with aiohttp.ClientSession() as session, session.ws_connect(f"{url}live") as socket:
            async for message in socket:
                json.loads(message.data)
                self.snapshots += 1
                await socket.send_str("ack")


async def overlay_url(daemon: asyncio.subprocess.Process) -> str:
    """The address that the daemon logs once its pages are served."""
    assert daemon.stderr is not None
    while line := (await daemon.stderr.readline()).decode():
        _, found, rest = line.partition("http://")
        if found:
            return "http://" + rest.split()[0].split("/")[0] + "/"
    raise RuntimeError("the daemon ended before it served its pages")


async def drain(stream: asyncio.StreamReader | None) -> None:
    while stream is not None and await stream.readline():
        pass


async def measure(directory: Path, seconds: float, broker_port: int) -> Result:
    path = write_files(directory, broker_port)
    (directory / "guest.ram").write_bytes(b"")
    command = "from adapters.commands.main import main; raise SystemExit(main())"
    playing = asyncio.ensure_future(guest(directory / "guest.ram", seconds + 60))
    await asyncio.sleep(0.2)
    daemon = await asyncio.create_subprocess_exec(
        sys.executable, "-c", command, "run", str(path), "--quiet", stderr=subprocess.PIPE
    )
    tasks = [playing]
    sizes: list[float] = []
    pages = [Page(), Page()]
    try:
        url = await asyncio.wait_for(overlay_url(daemon), 20)
        tasks.append(asyncio.ensure_future(drain(daemon.stderr)))
        tasks += [asyncio.ensure_future(page.read(url)) for page in pages]
        process = psutil.Process(daemon.pid)
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            await asyncio.sleep(1)
            sizes.append(process.memory_info().rss / (1 << 20))
    finally:
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)
        with contextlib.suppress(ProcessLookupError):
            daemon.terminate()
        await daemon.wait()
    return Result(sizes, sum(page.snapshots for page in pages))


def run(seconds: float) -> Result:
    with tempfile.TemporaryDirectory() as name:
        directory = Path(name)
        broker = Mosquitto(directory)
        broker.start()
        try:
            return asyncio.run(measure(directory, seconds, broker.port))
        finally:
            broker.kill()


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=float, default=600)
    found = run(parser.parse_args().seconds)
    step = max(1, len(found.sizes) // 12)
    print("second  resident MiB")
    for second in range(0, len(found.sizes), step):
        print(f"{second + 1:6}  {found.sizes[second]:12.1f}")
    print(
        f"highest {found.highest:.1f} MiB, growth after settling {found.growth:+.2f} MiB, ", end=""
    )
    print(f"{found.snapshots} snapshots read by two clients")


if __name__ == "__main__":
    main()
