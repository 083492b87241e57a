"""A whole daemon with the pages, on a sample of the demo game, beside a test."""

from __future__ import annotations

import asyncio
import json
import logging
import time
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any
from urllib.parse import quote

import aiohttp

from adapters.commands.run import outputs_of
from adapters.outputs.web.server import OverlayServer
from adapters.practice_log.tracker import make_practice_tracker
from adapters.sessions.setup import sampling_setup
from adapters.sources.catalogue import make_source
from bridge.daemon import Daemon
from bridge.ports.controls import Controls
from bridge.prepared import prepare
from bridge.questions.question import Questions
from schemas.loader import load_bridge
from tests.commands.command import lowhalf

ROOT = Path(__file__).parents[2]
SAMPLES = ROOT / "sample_dumps"
SCHEMA = ROOT / "schemas" / "games" / "tidewright.schema.toml"
LOG = logging.getLogger("test")


class Served:
    """The running pages and the questions that the daemon answers."""

    def __init__(self, overlay: OverlayServer, questions: Questions, bridge: Path) -> None:
        self.overlay = overlay
        self.questions = questions
        self.bridge = bridge

    @property
    def url(self) -> str:
        return self.overlay.url

    def ask_url(self, text: str) -> str:
        return f"{self.url}ask?expr={quote(text, safe='')}"

    async def ask(self, http: aiohttp.ClientSession, text: str) -> dict[str, Any]:
        """The first answer that does not wait."""
        async with http.ws_connect(self.ask_url(text)) as asking:
            while True:
                answer: dict[str, Any] = await asking.receive_json(timeout=5)
                await asking.send_str("ack")
                if answer["error"] or (answer["steps"] and not answer["note"]):
                    return answer

    async def get(self, http: aiohttp.ClientSession, name: str) -> Any:
        async with http.get(self.url + name) as answer:
            assert answer.status == 200, await answer.text()
            assert answer.content_type == "application/json"
            return json.loads(await answer.text())


def write_sample(
    directory: Path, dump: str, *, watches: str = "", tables: str = "", kind: str = "file"
) -> Path:
    """A bridge file for a sample dump or recording, with pages on a free port."""
    path = directory / "desk.bridge.toml"
    path.write_text(
        f"""
schema = {json.dumps(str(SCHEMA))}
[source]
kind = "{kind}"
path = {json.dumps(str(SAMPLES / dump))}
[sampling]
frame = "frame_began"
guard = {{ began = "frame_began", ended = "frame_ended" }}
{tables}
{watches}
[outputs.overlay]
listen = "127.0.0.1:0"
""",
        "utf-8",
    )
    return path


@asynccontextmanager
async def serving(path: Path) -> AsyncIterator[Served]:
    """The daemon of a bridge file that has ``[outputs.overlay]``, as ``lowhalf run`` makes it."""
    bridge = load_bridge(path)
    ready = prepare(bridge)
    setup = sampling_setup(bridge, ready)
    questions = Questions(setup.clock)
    practising = make_practice_tracker(bridge, ready, LOG, setup.clock)
    controls = Controls(by_hand=practising.by_hand if practising is not None else None)
    outputs = outputs_of(bridge, ready, questions, LOG, show="nothing", controls=controls)
    (overlay,) = (output for output in outputs if isinstance(output, OverlayServer))
    daemon = Daemon(
        make_source(bridge.file.source, path.parent, ready),
        outputs,
        setup,
        log=LOG,
        practising=practising,
        questions=questions,
    )
    running = asyncio.create_task(daemon.run())
    try:
        async with asyncio.timeout(10):
            await overlay.listening.wait()
        yield Served(overlay, questions, path)
    finally:
        running.cancel()
        await asyncio.wait([running])
        if not running.cancelled():
            running.result()


async def eventually(true: Callable[[], bool], seconds: float, what: str) -> None:
    """Wait until *true* gives true; *what* is what it would be then."""
    end = time.monotonic() + seconds
    while not true():
        assert time.monotonic() < end, f"not {what} within {seconds} s"
        await asyncio.sleep(0.01)


async def printed(*arguments: str) -> Any:
    """What a command prints as JSON; its exit code may be 1, where a reading is not ok."""
    done = await asyncio.to_thread(lowhalf, *arguments)
    assert done.returncode in (0, 1), done.stderr
    return json.loads(done.stdout)
