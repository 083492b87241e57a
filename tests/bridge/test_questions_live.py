"""Questions of a game that runs on a real emulated machine: no answer holds parts of two frames."""

from __future__ import annotations

import json
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from adapters.sources.shared import SharedMemory
from adapters.system_clock import SystemClock
from bridge.prepared import memory_map, prepare
from bridge.questions.question import Question, Questions
from bridge.sampling.continuity import Continuity
from bridge.sampling.sampler import Sampler
from bridge.sampling.setup import SamplingSetup
from bridge.values.status import Status
from schemas.loader import load_bridge
from schemas.source_settings import SharedSource
from tests.benchmarks.torn_frames import EXPRESSIONS, GUARD, SCHEMA
from tests.guest.machine import GuestMachine

pytestmark = [
    pytest.mark.needs("gcc-mips-linux-gnu", "mips-linux-gnu-gcc", "mips-linux-gnu-nm"),
    pytest.mark.needs("qemu-system-mips", "qemu-system-mips"),
]
AGREE = " == ".join(EXPRESSIONS)
"""The game writes its frame's number to all of these in the course of a frame."""


@dataclass
class Count:
    answers: int = 0
    torn: int = 0
    late: int = 0
    """First answers, whose lines no frame before had fetched."""


@pytest.fixture(scope="module")
def machine(tmp_path_factory: pytest.TempPathFactory, elf: Path) -> Iterator[GuestMachine]:
    directory = tmp_path_factory.mktemp("questions")
    with GuestMachine(elf, directory) as running:
        running.command("grand tour", load="slow")
        yield running
        assert running.read_symbol_u32("fault") == 0


async def ask(
    machine: GuestMachine, directory: Path, sampling: str, enough: Callable[[Count], bool]
) -> Count:
    """Ask anew every few frames, so that the lines come late each time, until it is enough."""
    path = directory / "live.bridge.toml"
    path.write_text(
        f"schema = {json.dumps(str(SCHEMA))}\n{sampling}\n[source]\nkind = 'shared'\n"
        f"path = {json.dumps(str(machine.ram_path))}\n"
        "[[watches]]\nname = 'tick'\nexpr = 'frame_ended'\n",
        "utf-8",
    )
    bridge = load_bridge(path)
    settings = bridge.file.source
    assert isinstance(settings, SharedSource)
    source, clock, count = SharedMemory(settings, directory), SystemClock(), Count()
    questions = Questions(clock)
    setup = SamplingSetup(prepare(bridge), memory_map(bridge.schema), clock, rate=1000)
    open_now: list[tuple[Question, int]] = []
    try:
        sampler = await Sampler.open(source, setup, Continuity(clock, questions=questions))
        ends = time.monotonic() + 60
        number = 0
        while not enough(count) and time.monotonic() < ends:
            number += 1
            if number % 4 == 0:
                for question, _ in open_now:
                    question.close()
                open_now = []
            if number % 4 == 1:
                open_now.append((questions.ask(AGREE), 0))
            frame = await sampler.next()
            if frame.readings[0].status is Status.WAITING:
                continue  # a busy host has let no frame be whole yet
            assert frame.readings[0].status is Status.OK
            for index, (question, seen) in enumerate(open_now):
                answer = question.answer
                if question.serial == seen or answer is None or answer.note:
                    continue
                open_now[index] = (question, question.serial)
                count.answers += 1
                count.late += seen == 0
                count.torn += answer.readings[-1].value is not True
    finally:
        await source.close()
    return count


@pytest.mark.parametrize("late", [15, pytest.param(300, marks=pytest.mark.full)])
async def test_no_answer_of_a_guarded_game_is_torn(
    machine: GuestMachine, tmp_path: Path, late: int
) -> None:
    guarded = await ask(
        machine, tmp_path, GUARD, lambda count: count.late >= late < count.answers / 2
    )
    assert guarded.late >= late < guarded.answers / 2
    assert guarded.torn == 0
    bare = await ask(machine, tmp_path, "", lambda count: count.torn > 0)
    assert bare.torn > 0, "the check cannot fail"
