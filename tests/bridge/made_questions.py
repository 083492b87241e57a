"""A sampler with questions on a scripted guest, for the tests of both."""

from __future__ import annotations

import asyncio
from collections.abc import Mapping
from pathlib import Path

from adapters.sources.fake import ScriptedSource
from bridge.memory.address_map import MemoryMap
from bridge.memory.byte_order import ByteOrder
from bridge.ports.clock import Clock
from bridge.ports.source import Cadence, Consistency
from bridge.prepared import PreparedBuild, memory_map, prepare
from bridge.questions.question import Answer, Question, Questions
from bridge.readings.frame import Frame
from bridge.readings.reading import Reading
from bridge.sampling.continuity import Continuity
from bridge.sampling.sampler import Sampler
from bridge.sampling.setup import SamplingSetup
from schemas.loader import load_bridge
from tests.virtual_clock import VirtualClock


class Asker:
    """``source`` is where the test pokes; ``questions`` are those that the sampler answers."""

    def __init__(
        self,
        directory: Path,
        schema: str,
        watches: Mapping[str, str],
        source: ScriptedSource | None = None,
        *,
        sampling: str = "",
        asking: bool = True,
        clock: Clock | None = None,
    ) -> None:
        (directory / "g.schema.toml").write_text(schema, encoding="utf-8")
        text = f'schema = "g.schema.toml"\n[source]\nkind = "fake"\n[sampling]\n{sampling}\n'
        for name, expression in watches.items():
            text += f"[[watches]]\nname = '{name}'\nexpr = '''{expression}'''\n"
        path = directory / "g.bridge.toml"
        path.write_text(text, encoding="utf-8")
        bridge = load_bridge(path)
        self.prepared_builds: dict[str, PreparedBuild] = prepare(bridge)
        self.memory: MemoryMap = memory_map(bridge.schema)
        self.clock = clock or VirtualClock()
        self.questions = Questions(self.clock)
        self.continuity = Continuity(self.clock, questions=self.questions if asking else None)
        self.source = source or ScriptedSource(
            cadence=Cadence.ANNOUNCED, consistency=Consistency.SENDER
        )
        self.sampler: Sampler | None = None

    async def open(self, *, declared: ByteOrder | None = None, rate: float = 240) -> Sampler:
        """A new sampler on the source, which follows the last one."""
        self.sampler = await Sampler.open(
            self.source, self.setup(declared=declared, rate=rate), self.continuity
        )
        return self.sampler

    def setup(self, *, declared: ByteOrder | None = None, rate: float = 240) -> SamplingSetup:
        return SamplingSetup(
            self.prepared_builds, self.memory, self.clock, declared=declared, rate=rate
        )

    async def take(self) -> Frame:
        assert self.sampler is not None
        return await asyncio.wait_for(self.sampler.next(), 5)

    async def next(self) -> Frame:
        """Announce a frame and take it."""
        self.source.next()
        return await self.take()


def answered(question: Question) -> Answer:
    """The answer, without an error and without a note."""
    answer = question.answer
    assert answer is not None
    assert answer.error is None, answer.error
    assert answer.note == ""
    assert len(answer.readings) == len(answer.steps)
    return answer


def result(question: Question) -> Reading:
    return answered(question).readings[-1]
