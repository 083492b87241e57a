"""The process that evaluates pasts: it ends with the daemon, and the daemon goes on without it.

Which processes there are is told by the system, through psutil.
"""

from __future__ import annotations

import asyncio
import json
import os
import signal
import time
from collections.abc import Callable
from pathlib import Path
from urllib.error import HTTPError
from urllib.request import urlopen

import aiohttp
import psutil
import pytest

from tests.adapters.pasts.looked_at import looking_at
from tests.adapters.pasts.made_recordings import demo_bridge, put_together
from tests.adapters.pasts.test_which import KEPT, held, recorded
from tests.commands.command import Running

LONG = range(1200)
SHORT = range(140, 260)


def fetched(url: str) -> tuple[int, dict[str, object]]:
    try:
        with urlopen(url, timeout=30) as answer:
            return answer.status, json.load(answer)
    except HTTPError as refused:
        with refused:
            return refused.code, json.load(refused)


def evaluating(daemon: int) -> list[psutil.Process]:
    """The processes of a daemon that have been spawned to work for it."""
    return [
        each
        for each in psutil.Process(daemon).children(recursive=True)
        if "spawn_main" in " ".join(each.cmdline())
    ]


def until(true: Callable[[], bool], what: str, seconds: float = 30) -> None:
    end = time.monotonic() + seconds
    while not true():
        assert time.monotonic() < end, f"not {what} within {seconds} s"
        time.sleep(0.05)


def gone(process: psutil.Process) -> bool:
    return not process.is_running() or process.status() == psutil.STATUS_ZOMBIE


@pytest.mark.posix("no signal there ends another program")
@pytest.mark.parametrize(
    "number",
    [
        pytest.param(signal.SIGINT, marks=pytest.mark.full),
        getattr(signal, "SIGKILL", 9),
    ],
)
def test_it_ends_with_the_daemon_whatever_the_daemon_is_doing(tmp_path: Path, number: int) -> None:
    """Also by SIGKILL, in the midst of an evaluation; what was held of a running game goes, too."""
    path = demo_bridge(tmp_path, tables=KEPT, source="repeat = true")
    (tmp_path / "clips").mkdir()
    put_together(tmp_path / "clips" / "demo-00001-failed.mcap", LONG)
    with Running("run", str(path), "--quiet") as daemon:
        url = daemon.url()
        until(lambda: recorded(tmp_path) > 60, "recorded")
        assert evaluating(daemon.process.pid) == []
        assert fetched(f"{url}past/rolling-1/timeline.json")[0] == 200
        until(lambda: bool(fetched(f"{url}past/rolling-1/timeline.json")[1]["ready"]), "evaluated")
        status, timeline = fetched(f"{url}past/clip-00001-failed/timeline.json")
        assert (status, timeline["count"]) == (200, len(LONG))
        (child,) = evaluating(daemon.process.pid)
        assert len(held(tmp_path)) == 1
        code = daemon.stop(number)
        assert code == (0 if number == signal.SIGINT else -number)
        until(lambda: gone(child), "gone")
        until(lambda: not held(tmp_path), "removed")


@pytest.mark.posix("no signal there ends another program")
def test_one_that_is_killed_is_started_again_with_the_next_request(tmp_path: Path) -> None:
    path = demo_bridge(tmp_path, places=SHORT, source="repeat = true")
    with Running("run", str(path), "--quiet") as daemon:
        url = daemon.url()
        fetched(f"{url}past/playing/moment.json?place=10")
        (child,) = evaluating(daemon.process.pid)
        os.kill(child.pid, signal.SIGKILL)
        until(lambda: gone(child), "gone")
        answers: list[int] = []

        def answered() -> bool:
            answers.append(fetched(f"{url}past/playing/moment.json?place=10")[0])
            return answers[-1] == 200

        until(answered, "answered again")
        # at most those that were asked while nobody knew of its end
        assert set(answers) <= {200, 503}
        (other,) = evaluating(daemon.process.pid)
        assert other.pid != child.pid
        assert daemon.stop(signal.SIGINT) == 0


@pytest.mark.posix("no signal there stops or ends another program")
async def test_those_who_wait_are_told_that_it_has_ended(tmp_path: Path) -> None:
    async with looking_at(demo_bridge(tmp_path, places=SHORT)) as page:
        await page.get("timeline.json")
        (child,) = evaluating(os.getpid())
        child.suspend()
        asked = [asyncio.ensure_future(page.raw("moment.json", place=n)) for n in range(5)]
        await asyncio.sleep(0.2)
        assert not any(each.done() for each in asked)
        child.kill()
        words = {"error": "the process that looks again has ended; ask again"}
        assert await asyncio.gather(*asked) == [(503, words)] * 5
        assert (await page.whole())["fault"] == ""


async def test_requests_beyond_what_there_is_room_for_are_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from adapters.sessions.pasts import asking

    monkeypatch.setattr(asking, "MAX_PENDING", 3)
    async with looking_at(demo_bridge(tmp_path, places=SHORT)) as page:
        await page.whole()
        found = await asyncio.gather(*(page.raw("moment.json", place=n) for n in range(40)))
        refused = [words["error"] for status, words in found if status == 503]
        assert {status for status, _ in found} == {200, 503}
        assert set(refused) == {"3 requests are under way; ask again"}
        assert (await page.raw("moment.json", place=3))[0] == 200


async def test_frames_of_the_live_game_go_on_meanwhile(tmp_path: Path) -> None:
    """The daemon's own count of frames, while a recording is evaluated beside it."""
    path = demo_bridge(tmp_path, source="repeat = true")
    (tmp_path / "clips").mkdir()
    put_together(tmp_path / "clips" / "demo-00001-failed.mcap", LONG)
    async with looking_at(path, "clip-00001-failed") as page:

        async def live() -> dict[str, int]:
            async with (
                aiohttp.ClientSession() as http,
                http.ws_connect(f"{page.served.url}live") as socket,
            ):
                while (newest := await socket.receive_json(timeout=20))["stats"] is None:
                    await socket.send_str("ack")
                stats: dict[str, int] = newest["stats"]
                return stats

        await page.get("timeline.json")
        before, ready = await live(), (await page.get("timeline.json"))["ready"]
        assert ready < len(LONG)
        timeline = await page.whole()
        after = await live()
        assert timeline["ready"] == len(LONG)
        taken, skipped = (after[name] - before[name] for name in ("frames", "skipped"))
        # some hundred are due meanwhile; a machine that is busy otherwise leaves some out
        assert taken > 20
        assert taken > skipped
