"""Questions that come between frames, and lines that come late: guards, pauses, dumps, losses."""

from __future__ import annotations

import asyncio
import contextlib
import logging
from collections.abc import AsyncIterator, Sequence
from pathlib import Path
from typing import Any

import pytest

from adapters.sources.fake import ScriptedSource
from bridge.daemon import Daemon
from bridge.memory.address_map import Span
from bridge.memory.byte_order import ByteOrder
from bridge.ports.source import Cadence, Consistency
from bridge.ports.source import Torn as TornSample
from bridge.questions import prepared_question as asked_module
from bridge.questions.question import Question
from bridge.sampling import sampler as sampling_module
from bridge.values.status import Status
from schemas.errors import SourceLost
from tests.bridge.made_questions import Asker, answered, result
from tests.bridge.test_daemon import Kept
from tests.bridge.test_sampler import BEGAN, ENDED, GUARD, SCHEMA, Torn, count, guest, lines

FAR = "head.next.next.value"


async def until_answered(question: Question, seconds: float = 2) -> None:
    async with asyncio.timeout(seconds):
        while question.answer is None or question.answer.note:
            await question.newer(question.serial, 0.05)


async def answered_within(asker: Asker, text: str, seconds: float) -> Question:
    question = asker.questions.ask(text)
    await until_answered(question, seconds)
    return question


async def guarded(tmp_path: Path, source: ScriptedSource, watches: dict[str, str]) -> Asker:
    asker = Asker(tmp_path, SCHEMA, watches, source, sampling=GUARD)
    guest(source)
    await asker.open()
    await asker.take()
    return asker


async def frame(asker: Asker, number: int) -> Any:
    count(asker.source, number)
    return await asker.take()


# lines that come late


async def test_late_lines_cost_batches_once_and_then_none(tmp_path: Path) -> None:
    source = ScriptedSource(cadence=Cadence.ANNOUNCED, consistency=Consistency.SENDER)
    asker = Asker(tmp_path, SCHEMA, {"one": "head.value - head.value"}, source)
    guest(source)
    await asker.open()
    await asker.next()
    question = asker.questions.ask(FAR)
    source.batches.clear()
    await asker.next()
    assert [lines(batch) for batch in source.batches][1:] == [{0x30}, {0x40}]
    assert result(question).value == 42
    source.batches.clear()
    await asker.next()
    assert [lines(batch) for batch in source.batches] == [{0x04, 0x10, 0x20, 0x30, 0x40}]
    question.close()
    await asker.next()
    source.batches.clear()
    await asker.next()
    assert [lines(batch) for batch in source.batches] == [{0x04, 0x10, 0x20}]


async def test_a_frame_that_begins_before_late_lines_come_is_the_watches_alone(
    tmp_path: Path,
) -> None:
    source = Torn()
    asker = await guarded(tmp_path, source, {"near": "head.value"})
    question = asker.questions.ask("head.next.value * 1000 + head.next.next.value")
    source.batches.clear()
    taken = await frame(asker, 102)
    kinds = ["counter" if batch[0].length == 8 else "lines" for batch in source.batches[-7:]]
    # ended, the lines, began; twice lines that are late and began again
    assert kinds == ["counter", "lines", "counter", "lines", "counter", "lines", "counter"]
    assert result(question).value == 42
    assert answered(question).frame == 102

    # another node far away: while its line comes the game works on the next frame
    source.poke(0x8000_3004, (0x8000_5000).to_bytes(4, "big"))
    source.poke(0x8000_5000, (77).to_bytes(4, "big"))
    count(source, 103)
    torn_before = taken.stats.torn
    late_at = len(source.batches) + 4  # counter until it changed, ended, lines, began, late
    source.script[late_at] = [(BEGAN, 104), (0x8000_5000, 78)]
    taken = await asker.take()
    assert (taken.number, taken.readings[0].status) == (103, Status.OK)
    assert taken.stats.torn == torn_before
    assert lines(source.batches[late_at]) == {0x50}
    assert answered(question).frame == 102  # the old answer stands
    assert result(question).value == 42
    source.poke(ENDED, (104).to_bytes(4, "big"))
    source.batches.clear()
    await asker.take()
    assert any({0x50, 0x10} <= lines(batch) for batch in source.batches)  # it came with the others
    assert result(question).value == 78


async def test_a_first_answer_that_is_late_says_that_it_waits(tmp_path: Path) -> None:
    source = Torn()
    asker = await guarded(tmp_path, source, {"near": "head.value"})
    question = asker.questions.ask("head.next.next.value")
    count(source, 102)
    source.script[len(source.batches) + 4] = [(BEGAN, 103)]
    taken = await asker.take()
    assert (taken.number, taken.stats.torn) == (102, 0)
    answer = question.answer
    assert answer is not None
    assert answer.note == "waits for the next frame"
    assert len(answer.readings) == len(answer.steps)
    assert answer.readings[0].value == 0x8000_1000
    assert answer.readings[-1].status is Status.WAITING
    source.poke(ENDED, (103).to_bytes(4, "big"))
    await asker.take()
    await frame(asker, 104)
    assert result(question).value == 42


async def test_a_sample_that_is_torn_by_late_lines_alone_stays_the_watches(
    tmp_path: Path,
) -> None:
    class Halting(ScriptedSource):
        tears = False

        async def _fetch(self, spans: Sequence[Span]) -> list[bytes | None]:
            if self.tears and lines(spans) <= {0x30, 0x40}:
                raise TornSample("could not be held")
            return await super()._fetch(spans)

    source = Halting(consistency=Consistency.HALTED, cadence=Cadence.ANNOUNCED)
    asker = Asker(tmp_path, SCHEMA, {"near": "head.value"}, source)
    guest(source)
    await asker.open()
    await asker.next()
    source.tears = True
    question = asker.questions.ask(FAR)
    for _ in range(2):
        taken = await asker.next()
        assert (taken.note, taken.stats.torn) == ("", 0)
    assert question.answer is not None
    assert question.answer.note == "waits for the next frame"
    for _ in range(3):  # a pointer's line a frame, with the others
        await asker.next()
    assert result(question).value == 42


async def test_without_a_guard_late_lines_are_taken_twice(tmp_path: Path) -> None:
    source = Torn()
    asker = Asker(tmp_path, SCHEMA, {"near": "head.value"}, source, sampling='frame = "began"')
    guest(source)
    await asker.open()
    await asker.take()
    question = asker.questions.ask("head.next.next.value")
    await frame(asker, 101)
    await frame(asker, 102)
    assert result(question).value == 42
    # the lines of the question alone change between two looks
    count(source, 103)
    source.script[len(source.batches) + 3] = [(0x8000_4000, 43)]
    taken = await asker.take()
    assert (taken.number, taken.stats.torn) == (103, 0)
    assert (answered(question).frame, result(question).value) == (102, 42)
    await frame(asker, 104)
    assert (answered(question).frame, result(question).value) == (104, 43)
    # and a late line changes
    source.poke(0x8000_3004, (0x8000_5000).to_bytes(4, "big"))
    count(source, 105)
    source.poke(0x8000_5000, (5).to_bytes(4, "big"))
    source.always = []
    late_at = len(source.batches) + 4
    source.script[late_at] = [(0x8000_5000, 6)]
    taken = await asker.take()
    assert lines(source.batches[late_at]) == {0x50}
    assert (taken.number, taken.stats.torn) == (105, 0)
    assert answered(question).frame == 104
    await frame(asker, 106)
    assert result(question).value == 6


async def test_closing_while_late_lines_are_on_their_way(tmp_path: Path) -> None:
    class Closing(ScriptedSource):
        question: Question | None = None

        async def _fetch(self, spans: Sequence[Span]) -> list[bytes | None]:
            if self.question is not None and lines(spans) == {0x30}:
                self.question.close()
            return await super()._fetch(spans)

    source = Closing(cadence=Cadence.ANNOUNCED, consistency=Consistency.SENDER)
    asker = Asker(tmp_path, SCHEMA, {"near": "head.value"}, source)
    guest(source)
    await asker.open()
    await asker.next()
    source.question = question = asker.questions.ask("head.next.next.next.value")
    other = asker.questions.ask("head.next.next.value + 1")
    for _ in range(4):
        taken = await asker.next()
        assert taken.readings[0].status is Status.OK
    assert (question.serial, question.answer) == (0, None)
    assert result(other).value == 43


async def test_a_long_chain_is_learned_over_frames_and_delays_none(tmp_path: Path) -> None:
    source = ScriptedSource(cadence=Cadence.ANNOUNCED, consistency=Consistency.SENDER)
    asker = Asker(tmp_path, SCHEMA, {"near": "head.value"}, source)
    source.poke(0x8000_0400, b"TIDE 1.0")
    source.poke(0x8000_1000, (0x8000_2000).to_bytes(4, "big"))
    for number in range(40):
        following = 0x8000_2100 + 0x100 * number if number < 39 else 0
        source.poke(0x8000_2004 + 0x100 * number, following.to_bytes(4, "big"))
    await asker.open()
    await asker.next()
    question = asker.questions.ask("len(chain(head, 'next'))")
    await asker.next()
    frames = 0
    while question.answer is None or question.answer.note:
        source.batches.clear()
        await asker.next()
        assert len(source.batches) <= 9
        frames += 1
        assert frames < 10
    assert frames > 1
    assert result(question).value == 40


# no frame comes


async def test_a_paused_game_answers_from_the_frame_that_stands(tmp_path: Path) -> None:
    source = ScriptedSource()
    asker = await guarded(tmp_path, source, {"near": "head.value"})
    for number in range(101, 104):
        await frame(asker, number)
    sampler = asker.sampler
    assert sampler is not None
    taking = asyncio.create_task(asker.take())
    await asyncio.sleep(0.15)
    before, phase = sampler.stats, vars(sampler._pace._phase).copy()
    broken = asker.questions.ask("head.")
    since = asker.questions.ask("change(head.next.value)")
    question = await answered_within(asker, FAR, 0.3)
    assert (answered(question).frame, result(question).value) == (103, 42)
    assert broken.answer is not None
    assert broken.answer.error is not None
    assert result(since).status is Status.WAITING
    assert not taking.done()
    assert (sampler.stats.frames, sampler.stats.skipped) == (before.frames, before.skipped)
    assert vars(sampler._pace._phase) == phase
    serial = question.serial
    await asyncio.sleep(0.25)
    assert question.serial == serial  # it is answered, and nothing is new
    source.poke(0x8000_3000, (9).to_bytes(4, "big"))
    count(source, 104)
    taken = await taking
    assert (taken.number, taken.stats.frames) == (104, before.frames + 1)
    assert (answered(question).frame, question.serial) == (104, serial + 1)
    assert result(since).value == 9


async def test_a_game_that_is_paused_within_a_frame_gives_no_torn_answer(tmp_path: Path) -> None:
    source = ScriptedSource()
    asker = await guarded(tmp_path, source, {"near": "head.next.value"})
    for number in range(101, 104):
        await frame(asker, number)
    taking = asyncio.create_task(asker.take())
    source.poke(BEGAN, (104).to_bytes(4, "big"))  # the work on it has begun: no line counts
    source.poke(0x8000_4000, (66).to_bytes(4, "big"))
    far, near = asker.questions.ask(FAR), asker.questions.ask("head.next.value + 5")
    await asyncio.sleep(0.4)
    assert result(near).value == 5  # its lines were there
    assert far.answer is not None
    assert far.answer.note == "waits for the next frame"
    assert far.answer.readings[-1].status is Status.WAITING
    assert far.serial == 1
    assert not taking.done()
    source.poke(ENDED, (104).to_bytes(4, "big"))
    taken = await taking
    assert (taken.number, taken.stats.torn) == (104, 0)
    await frame(asker, 105)
    assert result(far).value == 66


@contextlib.asynccontextmanager
async def daemon(asker: Asker, output: Kept) -> AsyncIterator[Daemon]:
    made = Daemon(
        asker.source,
        [output],
        asker.setup(),
        log=logging.getLogger("lowhalf.test"),
        questions=asker.questions,
    )
    task = asyncio.create_task(made.run())
    try:
        yield made
    finally:
        task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await task


async def first_frame(output: Kept) -> None:
    async with asyncio.timeout(3):
        while not output.frames:  # noqa: ASYNC110
            await asyncio.sleep(0.005)


@pytest.mark.parametrize("whole", [True, False])
async def test_a_dump_answers_at_once(tmp_path: Path, whole: bool) -> None:
    source = ScriptedSource(consistency=Consistency.STILL)
    asker = Asker(tmp_path, SCHEMA, {"near": "head.value"}, source)
    guest(source)
    if not whole:
        source.refuse(0x8000_F000)
    early = asker.questions.ask("head.value + 1")
    output = Kept()
    async with daemon(asker, output):
        await first_frame(output)
        await until_answered(early)
        assert result(early).value == 1
        for text, value in ((FAR, 42), ("near + 1", 1), ("1 + 1", 2)):
            question = await answered_within(asker, text, 0.1)
            assert result(question).value == value
        lost = asker.questions.ask("at(0x8000F000, 'u32')")
        await until_answered(lost)
        assert result(lost).status is (Status.OK if whole else Status.UNMAPPED)
        wrong = asker.questions.ask("1 +")
        await until_answered(wrong)
        assert wrong.answer is not None
        assert wrong.answer.error is not None
    assert len(output.frames) == 1


async def test_a_sender_that_sends_nothing_leaves_a_note_and_is_asked_for_the_lines(
    tmp_path: Path,
) -> None:
    source = ScriptedSource(cadence=Cadence.ANNOUNCED, consistency=Consistency.SENDER)
    asker = Asker(tmp_path, SCHEMA, {"near": "head.next.value"}, source)
    guest(source)
    output = Kept()
    async with daemon(asker, output):
        source.next()
        await first_frame(output)
        await asyncio.sleep(0.05)
        batches = len(source.batches)
        far = asker.questions.ask(FAR)
        here = await answered_within(asker, "head.next.value + 3", 0.3)
        assert result(here).value == 3
        assert far.answer is not None
        assert far.answer.note == "waits for the next frame"
        assert far.answer.frame == 1
        assert len(source.batches) == batches  # nothing is fetched between frames
        assert 0x30 in lines(source.wants[-1])
        assert len(output.frames) == 1
        source.next()
        await until_answered(far)
        assert (answered(far).frame, result(far).value) == (2, 42)


async def test_a_source_that_is_lost_while_a_question_is_answered_is_opened_again(
    tmp_path: Path,
) -> None:
    class Deaf(ScriptedSource):
        is_deaf = False

        def want(self, spans: Sequence[Span]) -> None:
            if self.is_deaf:
                self.is_deaf = False
                raise SourceLost("hears nothing", source=self.name)
            super().want(spans)

    source = Deaf(cadence=Cadence.ANNOUNCED, consistency=Consistency.SENDER)
    asker = Asker(tmp_path, SCHEMA, {"near": "head.value"}, source)
    guest(source)
    output = Kept()
    async with daemon(asker, output):
        source.next()
        await first_frame(output)
        await asyncio.sleep(0.05)
        source.is_deaf = True
        question = asker.questions.ask(FAR)
        async with asyncio.timeout(3):
            while not (question.answer and question.answer.note == "fake: hears nothing"):
                await question.newer(question.serial, 0.1)
        async with asyncio.timeout(3):
            while question.answer is None or question.answer.note:
                source.next()
                await question.newer(question.serial, 0.02)
        assert result(question).value == 42
        assert output.frames[-1].readings[0].status is Status.OK


async def test_a_fault_while_a_question_is_answered_is_not_kept_quiet(tmp_path: Path) -> None:
    class Broken(ScriptedSource):
        is_broken = False

        def want(self, spans: Sequence[Span]) -> None:
            if self.is_broken:
                raise RuntimeError("a plank is missing")

    source = Broken(cadence=Cadence.ANNOUNCED, consistency=Consistency.SENDER)
    asker = Asker(tmp_path, SCHEMA, {"near": "head.value"}, source)
    guest(source)
    output = Kept()

    async def break_it() -> None:
        async with daemon(asker, output):
            source.next()
            await first_frame(output)
            source.is_broken = True
            asker.questions.ask(FAR)
            await asyncio.sleep(0.5)

    with pytest.raises(ExceptionGroup) as caught:
        await break_it()
    assert str(caught.value.exceptions[0]) == "a plank is missing"


async def test_a_question_that_cannot_be_made_ready_harms_nobody(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(*arguments: Any) -> None:
        raise TypeError("a plank is missing")

    monkeypatch.setattr(asked_module, "explain", broken)
    asker = Asker(tmp_path, SCHEMA, {"near": "head.value"})
    guest(asker.source)
    await asker.open()
    question = asker.questions.ask(FAR)
    await asker.next()
    assert (await asker.next()).readings[0].status is Status.OK
    assert question.answer is not None
    assert question.answer.error is not None
    assert question.answer.error.detail == "cannot be evaluated: a plank is missing"


async def test_when_the_source_goes_answers_say_why_and_go_on_when_it_is_back(
    tmp_path: Path,
) -> None:
    source = ScriptedSource(cadence=Cadence.ANNOUNCED, consistency=Consistency.SENDER)
    asker = Asker(tmp_path, SCHEMA, {"near": "head.value"}, source)
    guest(source)
    output = Kept()
    async with daemon(asker, output):
        question, wrong = asker.questions.ask(FAR), asker.questions.ask("nowhere")
        for number in range(4):
            source.next()
            async with asyncio.timeout(3):
                while len(output.frames) <= number:  # noqa: ASYNC110
                    await asyncio.sleep(0.005)
        assert result(question).value == 42
        source.lose("went dark")
        async with asyncio.timeout(3):
            while not (question.answer and question.answer.note):
                await question.newer(question.serial, 0.1)
        assert question.answer.note == "fake: went dark"
        assert question.answer.frame == 4
        assert question.answer.readings[-1].value == 42
        assert wrong.answer is not None
        assert (wrong.answer.note, wrong.answer.error is None) == ("fake: went dark", False)
        new = asker.questions.ask("head.value")
        assert new.answer is not None
        assert (new.answer.note, new.answer.steps) == ("fake: went dark", ())
        source.restore()
        async with asyncio.timeout(5):
            while new.answer is None or new.answer.note:
                source.next()
                await new.newer(new.serial, 0.02)
            while question.answer.note or wrong.answer.note:
                source.next()
                await question.newer(question.serial, 0.02)
        assert result(question).value == 42
        assert wrong.answer.error is not None
        assert wrong.answer.build == "print"


async def then_no_whole_frame(
    directory: Path, monkeypatch: pytest.MonkeyPatch
) -> tuple[Torn, Asker, Question]:
    """An answer from frame 102, after which began and ended no longer agree."""
    monkeypatch.setattr(sampling_module, "MAX_TRY", 0.02)
    source = Torn()
    asker = await guarded(directory, source, {"near": "head.value"})
    question = asker.questions.ask(FAR)
    await frame(asker, 101)
    await frame(asker, 102)
    assert result(question).value == 42
    source.poke(BEGAN, (105).to_bytes(4, "big"))
    source.poke(ENDED, (104).to_bytes(4, "big"))
    return source, asker, question


async def test_where_no_frame_is_whole_answers_say_so(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    _, asker, question = await then_no_whole_frame(tmp_path, monkeypatch)
    taken = await asker.take()
    assert question.answer is not None
    assert question.answer.note == taken.note == "no whole frame: began and ended never agreed"
    await frame(asker, 106)
    assert answered(question).frame == 106


async def test_why_there_was_no_frame_is_not_said_of_one_that_came(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The watches have a frame again, while a line of the question comes too late for it."""
    source, asker, question = await then_no_whole_frame(tmp_path, monkeypatch)
    assert (await asker.take()).note.startswith("no whole frame")
    source.poke(0x8000_3004, (0x8000_5000).to_bytes(4, "big"))
    count(source, 106)
    late_at = len(source.batches) + 4
    source.script[late_at] = [(BEGAN, 107)]
    taken = await asker.take()
    assert (taken.number, taken.note) == (106, "")
    assert lines(source.batches[late_at]) == {0x50}
    assert question.answer is not None
    assert (question.answer.frame, question.answer.note) == (106, "waits for the next frame")


async def test_a_costly_source_that_is_paused_answers(tmp_path: Path) -> None:
    source = ScriptedSource(cadence=Cadence.SPARING, consistency=Consistency.HALTED)
    asker = Asker(tmp_path, SCHEMA, {"near": "head.value"}, source, sampling='frame = "began"')
    guest(source)
    await asker.open()
    await asker.take()
    taking = asyncio.create_task(asker.take())
    await asyncio.sleep(0.05)
    question = asker.questions.ask("head.next.next.value + change(head.value)")
    plain = await answered_within(asker, FAR, 0.3)
    assert (answered(plain).frame, result(plain).value) == (100, 42)
    await asyncio.sleep(0.1)
    assert (plain.serial, question.serial) == (1, 1)
    assert not taking.done()
    count(source, 101)
    taken = await taking
    assert (taken.number, taken.stats.frames) == (101, 2)
    assert (plain.serial, result(question).value) == (2, 42)


async def test_nobody_answers_before_a_frame_is_there(tmp_path: Path) -> None:
    asker = Asker(tmp_path, SCHEMA, {"near": "head.value"})
    sampler = await asker.open(declared=ByteOrder.BIG)
    question = asker.questions.ask("head.value")
    assert not await sampler.answer_standing()
    assert question.serial == 0
    guest(asker.source)
    await asker.next()
    assert await sampler.answer_standing()
    assert (result(question).value, question.serial) == (0, 1)
    assert await sampler.answer_standing()
    assert question.serial == 1
    late = asker.questions.ask(FAR)
    assert await sampler.answer_standing()  # it is told that it waits
    assert late.answer is not None
    assert late.answer.note == "waits for the next frame"
