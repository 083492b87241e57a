"""Thousands of slow peers against a real daemon: the source, the page and a new page go on."""

from __future__ import annotations

import asyncio
import contextlib
import re
import signal
import sys
import threading
import time
from collections.abc import AsyncIterator, Iterator
from pathlib import Path

import aiohttp
import pytest

from tests.adapters.browser import Page, new_page
from tests.adapters.slow_peers import slow_peers
from tests.commands import files
from tests.commands.command import Running
from tests.commands.test_dump_folder import put

pytestmark = [
    pytest.mark.skipif(sys.platform != "linux", reason="counts descriptors in /proc"),
    pytest.mark.needs("chromium", "chromium"),
]

BRIDGE = """
schema = "t.schema.toml"
[source]
kind = "folder"
path = "dumps"
settle = 0.2
[[watches]]
name = "low_x"
label = "Written half"
expr = "low(courier.held.position.x)"
[outputs.overlay]
listen = "127.0.0.1:0"
"""
SHOWN = "+document.querySelector('.watch[data-watch=low_x] .value')?.textContent"


@contextlib.contextmanager
def descriptors(count: int) -> Iterator[None]:
    """What is started meanwhile may have so many."""
    import resource

    before = resource.getrlimit(resource.RLIMIT_NOFILE)
    resource.setrlimit(resource.RLIMIT_NOFILE, (count, before[1]))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_NOFILE, before)


class Dumps:
    """A folder that is given a dump 20 times a second; the source must open each."""

    def __init__(self, folder: Path) -> None:
        folder.mkdir()
        self._folder = folder
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._feed)
        self.count = 1
        put(folder, 1)

    @contextlib.contextmanager
    def coming(self) -> Iterator[None]:
        self._thread.start()
        try:
            yield
        finally:
            self._stop.set()
            self._thread.join()

    def _feed(self) -> None:
        while not self._stop.wait(0.05):
            put(self._folder, self.count + 1)
            self.count += 1


def _descriptors_of(process: int) -> int:
    return len(list(Path(f"/proc/{process}/fd").iterdir()))


@pytest.fixture
async def page(browser: str) -> AsyncIterator[Page]:
    async with new_page(browser, still=False) as opened:
        yield opened


@pytest.mark.parametrize(
    ("limit", "peers", "seconds"),
    [
        (128, 300, 3.0),
        pytest.param(1024, 2000, 12.0, marks=pytest.mark.full),
        pytest.param(128, 300, 12.0, marks=pytest.mark.full),
    ],
)
async def test_neither_source_nor_pages_are_lost(
    tmp_path: Path, page: Page, limit: int, peers: int, seconds: float
) -> None:
    """1024 is the soft limit that Linux gives a process; who is closed comes back."""
    path = files.write(tmp_path, bridge=BRIDGE)
    dumps = Dumps(tmp_path / "dumps")
    # told to the interpreter, so that it is one of our own start, which has our limit
    own_start = {"PYTHONHASHSEED": "0"}
    with descriptors(limit):
        running = Running("run", str(path), "--quiet", "--stats", environment=own_start)
    with running as daemon:
        url = await asyncio.to_thread(daemon.url)
        port = int(url.rsplit(":", 1)[1].strip("/"))
        await page.open(url + "overlay")
        await page.wait_for(SHOWN, 1, 30)
        most, waits = 0, []
        with dumps.coming():
            with slow_peers(port, peers, 2.0):
                end = time.monotonic() + seconds
                while time.monotonic() < end:
                    most = max(most, _descriptors_of(daemon.process.pid))
                    begun = time.monotonic()
                    # a session of its own each time, and so a connection
                    async with aiohttp.ClientSession() as http, http.get(url + "overlay") as answer:
                        assert answer.status == 200
                        await answer.read()
                    waits.append(time.monotonic() - begun)
                    seen = await page.evaluate(SHOWN)
                    await page.wait_for(f"{SHOWN} > {seen}", True, 10)
            at_end = dumps.count
        await page.wait_for(SHOWN, dumps.count, 30)
        assert page.faults == []
        await page.open("about:blank")  # it would say that the server is gone
        assert await asyncio.to_thread(daemon.stop, signal.SIGTERM) == 0
        await asyncio.to_thread(daemon.wait_for, "output overlay: skipped")
    waits.sort()
    print(
        f"{at_end} dumps; a new page after {waits[len(waits) // 2] * 1000:.0f} ms, "
        f"at most {waits[-1] * 1000:.0f} ms; at most {most} of {limit} descriptors"
    )
    assert waits[len(waits) // 2] < 5
    assert most <= limit * 3 // 4 + 16  # those that are being told that there is no room
    known = [re.sub(r"\d+ more in \d+ s|ports?/|:\d+/", "N", line) for line in daemon.logged]
    half = "lowhalf: overlay: a request was not whole within 5 s: its connection was closed"
    full = (
        f"lowhalf: overlay: over {limit // 2} connections are open: the one that has waited "
        "longest is closed for each new one"
    )
    expected = [
        "lowhalf: pages at http://127.0.0.1N",
        "lowhalf: folder dumps: build first-print",
        full,
        f"{full} (N)",
        half,
        f"{half} (N)",
    ]
    kept = [line for line in known if not line.startswith(("frames ", "output "))]
    assert [line for line in kept if line not in expected] == []
    assert len(kept) == len(set(kept))
    frames = next(line for line in daemon.logged if line.startswith("frames "))
    assert frames.startswith(f"frames {dumps.count}, "), (frames, dumps.count)
