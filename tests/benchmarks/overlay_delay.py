"""How late the overlay page is: from a guest's write to the text in a real browser's page.

A process of its own is the guest: it writes a counted value into a mapped file 60 times a second,
and notes when.  `lowhalf run` reads the file as the source `shared`; Debian's chromium shows the
overlay; in the page an observer notes when the value's text changed.  Both clocks are the system's:
the browser's time is its own wall clock at the page's start plus a monotonic one.

The page repaints its text 15 times a second at most, so that it shows every fourth or fifth
value: a delay is that of a value that was shown, at the moment in which it came to be there.

    python -m tests.benchmarks.overlay_delay [--seconds 60]

Needs Debian's chromium.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import multiprocessing
import os
import tempfile
import time
from collections.abc import Sequence
from dataclasses import dataclass
from multiprocessing.connection import Connection
from pathlib import Path

from tests.adapters.browser import Page, chromium, new_page
from tests.commands.command import Running

RATE = 60.0
WARM_UP = 2.0
BEGAN, ENDED, VALUE = 0x10, 0x14, 0x1020
SIZE = 0x2000
SCHEMA = f"""
[game]
name = "Tidewright"
[memory]
endian = "big"
regions = [ {{ name = "ram", start = 0x8000_0000, size = {SIZE:#x} }} ]
[symbols]
frame_began = "u32"
frame_ended = "u32"
lamp_oil = "u32"
[builds.first-print]
recognise = [ {{ at = 0x8000_0400, text = "TIDE 1.0" }} ]
at = {{ frame_began = {0x8000_0000 + BEGAN:#x}, frame_ended = {0x8000_0000 + ENDED:#x}, \
lamp_oil = {0x8000_0000 + VALUE:#x} }}
"""
BRIDGE = """
schema = "lamp.schema.toml"
[source]
kind = "shared"
path = "ram"
[sampling]
rate = 60
frame = "frame_began"
guard = { began = "frame_began", ended = "frame_ended" }
[outputs.overlay]
listen = "127.0.0.1:0"
[[watches]]
name = "oil"
expr = "lamp_oil"
target = { near = 500, within = 20 }
"""
OBSERVE = """
window.shown = [];
new MutationObserver(() => {
  const text = document.querySelector("[data-watch=oil] .value").textContent;
  window.shown.push([text, performance.timeOrigin + performance.now()]);
}).observe(document.querySelector("[data-watch=oil] .value"),
  {subtree: true, childList: true, characterData: true});
0
"""


@dataclass(frozen=True)
class Delays:
    """What one run came to.  ``delays`` are in seconds, sorted; heap sizes are in bytes."""

    seconds: float
    written: int
    delays: tuple[float, ...]
    unknown: int
    """Texts that the guest never wrote."""
    heap_before: int
    heap_after: int
    nodes_before: int
    nodes_after: int

    def delay(self, share: float) -> float:
        """The delay that *share* of the values do not exceed, in seconds."""
        return self.delays[min(len(self.delays) - 1, int(share * len(self.delays)))]


def guest(path: str, pipe: Connection) -> None:
    """In a process of its own: a frame every 60th of a second until the pipe says to end.

    Then gives the wall-clock time of each value's write, in seconds.
    """
    at: dict[int, float] = {}
    file = os.open(path, os.O_RDWR)
    number, begun = 1000, time.monotonic()
    while not pipe.poll():
        number += 1
        word = number.to_bytes(4, "big")
        os.pwrite(file, word, BEGAN)
        at[number] = time.time()
        os.pwrite(file, word, VALUE)
        os.pwrite(file, word, ENDED)
        due = begun + (number - 1000) / RATE
        time.sleep(max(0.0, due - time.monotonic()))
    os.close(file)
    pipe.send(at)
    pipe.close()


async def measure(directory: Path, seconds: float) -> Delays:
    """A run of *seconds* after a warm-up; *directory* takes the files."""
    ram = bytearray(SIZE)
    ram[0x400:0x408] = b"TIDE 1.0"
    (directory / "ram").write_bytes(ram)
    (directory / "lamp.schema.toml").write_text(SCHEMA, "utf-8")
    bridge = directory / "lamp.bridge.toml"
    bridge.write_text(BRIDGE, "utf-8")
    pipe, other = multiprocessing.Pipe()
    writer = multiprocessing.get_context("spawn").Process(
        target=guest, args=(str(directory / "ram"), other)
    )
    with (
        Running("run", str(bridge), "--quiet") as daemon,
        chromium(directory / "profile") as browser,
    ):
        writer.start()
        other.close()
        try:
            async with new_page(browser, still=False) as page:
                await page.open(daemon.url() + "overlay")
                await page.wait_for("document.querySelector('[data-watch=oil] .value') !== null")
                await page.evaluate(OBSERVE)
                await asyncio.sleep(WARM_UP)
                before = await _sizes(page)
                await page.evaluate("window.shown.length = 0")
                begun = time.monotonic()
                await asyncio.sleep(seconds)
                lasted = time.monotonic() - begun
                shown = json.loads(await page.evaluate("JSON.stringify(window.shown)"))
                await page.evaluate("window.shown.length = 0")
                after = await _sizes(page)
        finally:
            pipe.send("end")
            at: dict[int, float] = await asyncio.to_thread(pipe.recv)
            writer.join(5)
            pipe.close()
    known = [(int(text), moment / 1000) for text, moment in shown if text.isdigit()]
    delays = sorted(moment - at[number] for number, moment in known if number in at)
    return Delays(
        seconds=lasted,
        written=len(at),
        delays=tuple(delays),
        unknown=len(shown) - len(delays),
        heap_before=before[0],
        heap_after=after[0],
        nodes_before=before[1],
        nodes_after=after[1],
    )


async def _sizes(page: Page) -> tuple[int, int]:
    """What the page's scripts hold once what is garbage is collected, and the page's nodes."""
    await page.call("HeapProfiler.collectGarbage")
    used = await page.call("Runtime.getHeapUsage")
    counts = await page.call("Memory.getDOMCounters")
    return int(used["usedSize"]), int(counts["nodes"])


def table(found: Delays) -> str:
    """The run for people."""
    rate = len(found.delays) / found.seconds
    return (
        f"{found.seconds:.1f} s at {RATE:g} Hz: {len(found.delays)} values shown, {rate:.1f} a "
        f"second; p50 {found.delay(0.5) * 1e3:.1f}, p99 {found.delay(0.99) * 1e3:.1f}, longest "
        f"{found.delays[-1] * 1e3:.1f} ms; script heap {found.heap_before} to {found.heap_after} "
        f"bytes, nodes {found.nodes_before} to {found.nodes_after}"
    )


def main(arguments: Sequence[str] | None = None) -> int:
    """Prints the run."""
    parser = argparse.ArgumentParser(description="from a guest's write to the page's text")
    parser.add_argument("--seconds", type=float, default=60.0)
    chosen = parser.parse_args(arguments)
    with tempfile.TemporaryDirectory() as name:
        print(table(asyncio.run(measure(Path(name), chosen.seconds))))
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
