"""What open questions cost the watches: ``python -m tests.benchmarks.questions``.

200 watches of one bridge, a frame each time through the whole sampler, readings included: (a) with
nobody to ask, (b) with nothing asked, (c) with 8 questions, pointers and a watch among them.  Then
what it takes to make one question ready, and what the silliest one takes before it is given up.
"""

from __future__ import annotations

import asyncio
import statistics
import struct
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

from adapters.sources.fake import ScriptedSource
from adapters.system_clock import SystemClock
from bridge.memory.byte_order import ByteOrder
from bridge.ports.source import Cadence, Consistency
from bridge.prepared import memory_map, prepare
from bridge.questions.prepared_question import PreparedQuestion
from bridge.questions.question import Question, Questions
from bridge.sampling.continuity import Continuity
from bridge.sampling.sampler import Sampler
from bridge.sampling.setup import SamplingSetup
from schemas.loader import load_bridge
from tests.benchmarks.evaluation import BASE, FIELD, POINTERS, SCHEMA, TARGET_SIZE, TARGETS, mixed

WATCHES = 200
ASKED = [
    "actors[3].position.x",
    "low(actors[17].next.position.x)",
    "high(actors[5].next.next.position.y) + 1",
    "actors[9].weight * 3 - actors[10].weight",
    "turn(actors[1].facing, actors[2].facing)",
    "change(actors[40].position.z)",
    "w6",
    "w7 + w8",
]
SILLY = (
    "sum([len([b for b in chain(actors[0], 'next') if b.weight > a.weight])"
    " for a in chain(actors[0], 'next')])"
)
CLOCK = SystemClock()


@dataclass(frozen=True)
class Costs:
    """Seconds a frame with nobody to ask, with nothing asked, and with 8 questions; seconds to make
    a question ready and seconds that the silliest took in one frame."""

    alone: float
    idle: float
    asked: float
    ready: float
    silly: float


class Bench:
    """A sampler with its own source."""

    def __init__(self, directory: Path, questions: Questions | None) -> None:
        directory.mkdir(exist_ok=True)
        (directory / "t.schema.toml").write_text(SCHEMA.replace("COUNT", str(WATCHES)), "utf-8")
        head = 'schema = "t.schema.toml"\n[source]\nkind = "fake"\nbyte_order = "big"\n'
        path = directory / "t.bridge.toml"
        path.write_text(head + "\n".join(mixed(WATCHES)), "utf-8")
        bridge = load_bridge(path)
        self.prepared_builds, self.memory = prepare(bridge), memory_map(bridge.schema)
        self.questions = questions
        self.source = ScriptedSource(cadence=Cadence.ANNOUNCED, consistency=Consistency.SENDER)
        for number in range(WATCHES):
            actor = BASE + TARGETS + number * TARGET_SIZE
            following = BASE + TARGETS + (number + 1) % WATCHES * TARGET_SIZE
            self.source.poke(BASE + POINTERS + 4 * number, actor.to_bytes(4, "big"))
            self.source.poke(actor + 0x10, struct.pack(">Hxxi", number * 300 & 0xFFFF, number))
            self.source.poke(actor + FIELD, struct.pack(">fff", number, 2.5, -1.0))
            self.source.poke(actor + 0x40, following.to_bytes(4, "big"))

    async def open(self) -> None:
        setup = SamplingSetup(self.prepared_builds, self.memory, CLOCK, declared=ByteOrder.BIG)
        self.continuity = Continuity(CLOCK, questions=self.questions)
        self.sampler = await Sampler.open(self.source, setup, self.continuity)

    async def frame(self) -> None:
        self.source.next()
        _ = (await self.sampler.next()).readings


async def measure(directory: Path, rounds: int = 300) -> Costs:
    """The least of many frames each; the three take turns, so that noise meets all alike."""
    asking = Questions(CLOCK)
    benches = [
        Bench(directory / "alone", None),
        Bench(directory / "idle", Questions(CLOCK)),
        Bench(directory / "asked", asking),
    ]
    open_now: list[Question] = []
    for bench in benches:
        await bench.open()
        await bench.frame()
    for text in ASKED:
        open_now.append(asking.ask(text))
        for _ in range(3):
            await benches[2].frame()
    times: list[list[float]] = [[], [], []]
    for _ in range(rounds):
        for number, bench in enumerate(benches):
            began = time.thread_time()
            await bench.frame()
            times[number].append(time.thread_time() - began)
    for question in open_now:
        answer = question.answer
        if answer is None or answer.error or answer.note or question.serial < rounds:
            raise AssertionError(f"{question.text} was not answered with each frame")
    alone, idle, asked = (min(found) for found in times)
    return Costs(alone, idle, asked, _ready(benches[2]), await _silly(benches[2], asking))


def _ready(bench: Bench) -> float:
    """Median seconds to make a question ready."""
    prepared, main = bench.sampler.prepared, bench.sampler._evaluator
    assert prepared is not None
    assert main is not None
    times = []
    for _ in range(5):
        for text in ASKED:
            began = time.thread_time()
            PreparedQuestion(text, None, prepared, bench.sampler.opened, main, CLOCK)
            times.append(time.thread_time() - began)
    return statistics.median(times)


async def _silly(bench: Bench, questions: Questions) -> float:
    question = questions.ask(SILLY)
    for _ in range(60):
        await bench.frame()
    asking = bench.continuity.questions
    assert asking is not None
    silly = asking._asked[question]
    assert isinstance(silly, PreparedQuestion)
    assert question.answer is not None
    if question.answer.readings[-1].status != "error":
        raise AssertionError(question.answer.readings[-1])
    return silly.cost


def main() -> None:
    with tempfile.TemporaryDirectory() as name:
        costs = asyncio.run(measure(Path(name), 1000))
    print(f"200 watches, nobody to ask     {costs.alone * 1e6:8.0f} µs a frame")
    idle, asked = costs.idle / costs.alone, costs.asked / costs.alone
    print(f"200 watches, nothing asked     {costs.idle * 1e6:8.0f} µs   ratio {idle:5.2f}")
    print(f"200 watches and 8 questions    {costs.asked * 1e6:8.0f} µs   ratio {asked:5.2f}")
    print(f"to make a question ready       {costs.ready * 1e6:8.0f} µs")
    print(f"the silliest question, once    {costs.silly * 1e6:8.0f} µs")


if __name__ == "__main__":
    main()
