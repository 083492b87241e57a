"""Attempts that are counted by hand: asked for by the pages and by keys, and kept."""

from __future__ import annotations

import asyncio
import io
import json
import time
from pathlib import Path

import aiohttp

from adapters.json_forms.attempts import kept_attempts, score_of
from adapters.outputs.terminal.output import TerminalOutput
from bridge.ports.controls import Controls
from bridge.ports.counting_by_hand import CountingByHand
from bridge.practice.attempts import Outcome
from bridge.practice.totals import Rate
from schemas import output_settings
from schemas.loader import load_bridge
from tests.adapters.desk_daemon import serving, write_sample

WATCH = '[[watches]]\nname = "half"\nexpr = "low(frame_began)"\n'
BY_HAND = "[attempts]\nby_hand = true\n"


async def told(live: aiohttp.ClientWebSocketResponse, attempts: int, attempt: int | None) -> object:
    """The practice of the first message in which so many attempts count and that one is open."""
    end = time.monotonic() + 10
    while time.monotonic() < end:
        shown = await live.receive_json(timeout=5)
        await live.send_str("ack")
        practice = shown.get("practice") or {}
        if (practice.get("attempts"), practice.get("attempt")) == (attempts, attempt):
            return practice
    raise AssertionError(f"{attempts} attempts were never told")


async def test_a_page_counts_by_post_where_no_further_frame_comes(tmp_path: Path) -> None:
    """A dump is one frame for ever: what is counted is shown at once, and kept."""
    path = write_sample(tmp_path, "first-print-carry.bin.gz", watches=WATCH, tables=BY_HAND)
    async with serving(path) as served, aiohttp.ClientSession() as http:

        async def asked(what: str, **headers: str) -> tuple[int, str]:
            async with http.post(served.url + what, headers=headers) as answer:
                found = await answer.text()
                return answer.status, json.loads(found)["words"] if found[0] == "{" else found

        async with http.ws_connect(f"{served.url}live?parts=desk") as live:
            shown = await live.receive_json(timeout=5)
            await live.send_str("ack")
            assert shown["health"]["controls"] == ["by_hand"]
            starts = (409, "attempts cannot be counted now: lowhalf starts, or ends")
            while (answer := await asked("undo")) == starts:  # noqa: ASYNC110
                await asyncio.sleep(0.01)
            assert answer == (409, "no attempt is left that could be taken back")
            assert await asked("again") == (200, "attempt 1 begins")
            await told(live, 0, 1)
            assert await asked("count") == (200, "attempt 1 is a success")
            await told(live, 1, None)
            words = "attempt 2 is a success; how long it took is not known"
            assert await asked("count") == (200, words)
            await told(live, 2, None)
            assert await asked("undo") == (200, "attempt 2, success, does not count any more")
            practice = await told(live, 1, None)
        assert isinstance(practice, dict)
        assert (practice["streak"], practice["last"]["attempt"]) == (1, 1)
        for strange in (
            {"Origin": "http://elsewhere.example"},
            {"Origin": "null"},
            {"Sec-Fetch-Site": "cross-site"},
            {"Host": "elsewhere.example"},
        ):
            for what in ("count", "undo", "again"):
                assert (await asked(what, **strange))[0] in (403, 421)
        async with http.get(served.url + "count") as refused:
            assert refused.status == 405
    kept, running = kept_attempts(load_bridge(path))
    assert not running
    assert score_of(kept).all == Rate(1, 1)
    # nothing asked from elsewhere was done
    assert [(each.number, each.outcome, each.undone) for each in kept] == [
        (1, Outcome.SUCCESS, False),
        (2, Outcome.SUCCESS, True),
    ]


async def test_without_attempts_it_says_what_is_missing(tmp_path: Path) -> None:
    path = write_sample(tmp_path, "first-print-carry.bin.gz", watches=WATCH)
    async with serving(path) as served, aiohttp.ClientSession() as http:
        for what in ("count", "undo", "again"):
            async with http.post(served.url + what) as answer:
                assert answer.status == 409
                words = (await answer.json())["words"]
            assert words == "there are no attempts to count: add [attempts] to the bridge file"


class Noting(CountingByHand):
    def __init__(self) -> None:
        self.done: list[str] = []

    def count(self) -> str:
        self.done.append("count")
        return "counted"

    def undo(self) -> str:
        self.done.append("undo")
        return "undone"

    def again(self) -> str:
        self.done.append("again")
        return "begun"


def test_keys_of_the_terminal() -> None:
    """Those of actions come first."""
    by_hand = Noting()
    terminal = TerminalOutput(output_settings.TerminalOutput(), io.StringIO())
    terminal._controls = Controls(by_hand=by_hand)
    for key in "cuax":
        terminal._pressed(key)
    assert by_hand.done == ["count", "undo", "again"]
    assert list(terminal._said) == ["counted", "undone", "begun"]
    marked: list[str] = []

    def mark(name: str) -> str:
        marked.append(name)
        return name

    terminal._controls = Controls(by_hand=by_hand, mark=mark, keys={"c": "call_gull"})
    for key in "cu":
        terminal._pressed(key)
    assert (by_hand.done, marked) == (["count", "undo", "again", "undo"], ["call_gull"])
