"""What a daemon tells of the heap while its source goes and comes, and the build changes."""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Sequence
from pathlib import Path

from adapters.sources.fake import ScriptedSource
from bridge.daemon import Daemon
from bridge.heap.told_events import Anew, Unseen
from bridge.ports.source import Cadence, Consistency
from bridge.prepared import memory_map, prepare
from bridge.questions.question import Questions
from bridge.sampling.setup import SamplingSetup
from schemas.loader import load_bridge
from tests.bridge.made_heap import ARENA, HEAD, HeapGuest, Made, changed, gulls, schema_text
from tests.bridge.test_daemon import Kept
from tests.bridge.test_told_events import words
from tests.virtual_clock import VirtualClock

MARK = 0x8000_0200
BUILDS = """[builds.only]
recognise = [ { at = 0x8000_0200, text = "TIDE 1.0" } ]
"""
OTHER = """
[builds.other]
recognise = [ { at = 0x8000_0200, text = "TIDE 1.1" } ]
at.heap_head = 0x8000_0100
at.held      = 0x8000_0108
at.pointer   = 0x8000_0110
at.word      = 0x8000_0118
"""


class Played:
    """A daemon on a game whose frames the test announces one by one."""

    def __init__(self, directory: Path) -> None:
        schema = schema_text().replace("[builds.only]\n", BUILDS) + OTHER
        (directory / "g.schema.toml").write_text(schema, "utf-8")
        path = directory / "g.bridge.toml"
        head = 'schema = "g.schema.toml"\n[source]\nkind = "fake"\nbyte_order = "big"\n'
        path.write_text(f"{head}[[watches]]\nname = 'plain'\nexpr = 'word'\n", "utf-8")
        bridge = load_bridge(path)
        clock = VirtualClock()
        self.guest = HeapGuest()
        self.guest.heap(gulls(8))
        self.source = ScriptedSource(cadence=Cadence.ANNOUNCED, consistency=Consistency.SENDER)
        for span in self.guest.memory.whole():
            self.source.poke(span.address, self.guest.part(span))
        self.source.poke(MARK, b"TIDE 1.0")
        self.questions = Questions(clock)
        self.output = Kept()
        self.daemon = Daemon(
            self.source,
            [self.output],
            SamplingSetup(prepare(bridge), memory_map(bridge.schema), clock),
            log=logging.getLogger("test"),
            questions=self.questions,
        )
        self.number = 99

    async def show(self, blocks: Sequence[Made], frames: int = 1) -> list[str]:
        """What is told new of frames with these blocks."""
        told = self.questions.heap.told
        before = () if told is None else told.recent
        self.guest.heap(blocks)
        for address, size in ((HEAD, 4), (ARENA, 0x1000)):
            at = address - 0x8000_0000
            self.source.poke(address, bytes(self.guest.bytes[at : at + size]))
        for _ in range(frames):
            self.number += 1
            self.source.frame(self.number)
            async with asyncio.timeout(5):
                came = self.output.frames
                while not came or came[-1].number != self.number:  # noqa: ASYNC110
                    await asyncio.sleep(0.01)
        now = self.output.frames[-1].heap_events
        assert now is not None
        return words([each for each in now.recent if each not in before])


async def test_nothing_goes_over_a_lost_source_or_another_build(tmp_path: Path) -> None:
    game = Played(tmp_path)
    blocks, without = gulls(8), changed(gulls(8), 2, used=False)
    running = asyncio.create_task(game.daemon.run())
    try:
        with game.questions.heap.held():
            await game.show(blocks, 6)
            assert await game.show(without) == ["106 gull released"]
            assert await game.show(changed(without, 4, magic=1)) == []
            assert await game.show(blocks) == [
                str(Unseen(107, 107, 1, "damaged")),
                "108 gull allocated",
            ]
            game.source.lose("was closed")
            await asyncio.sleep(2)
            game.source.restore()
            # a frame or two are needed for the lines of the question to come
            assert await game.show(without, 6) == [str(Anew(109, "the source was lost"))]
            assert await game.show(blocks) == ["115 gull allocated"]
            game.source.poke(MARK, b"TIDE 1.1")
            game.number += 1
            game.source.frame(game.number)  # in which the build is found to be another
            await asyncio.sleep(1)
            (begun,) = await game.show(without, 6)
            assert begun.endswith("why='the game is not recognised any more')")
            assert game.output.frames[-1].build == "other"
            assert await game.show(blocks) == ["123 gull allocated"]
            events = game.output.frames[-1].heap_events
            assert events is not None
            assert events.count == 4
    finally:
        running.cancel()
        await asyncio.wait([running])
