"""Questions: steps and strip, errors, budget, builds, resets, and that watches never notice."""

from __future__ import annotations

import asyncio
import gc
import random
import struct
import time
import weakref
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from adapters.sources.fake import ScriptedSource
from adapters.system_clock import SystemClock
from bridge.evaluation.heap_walk import HeapWalk
from bridge.heap.blocks import Heap
from bridge.memory.byte_order import ByteOrder
from bridge.memory.image import Image
from bridge.questions import prepared_question as asked
from bridge.questions import scheduler as asking
from bridge.questions.prepared_question import PreparedQuestion
from bridge.questions.question import Answer, Question, Questions
from bridge.values.status import Status
from schemas.errors import ExpressionError, TooManyQuestions
from tests.bridge.made_guest import SCHEMA as ACTORS
from tests.bridge.made_guest import tidewright
from tests.bridge.made_heap import HELD, HeapGuest, changed, gulls, schema_text
from tests.bridge.made_questions import Asker, answered, result
from tests.bridge.test_sampler import SCHEMA, count, guest
from tests.systems import WINDOWS
from tests.virtual_clock import VirtualClock


@pytest.fixture(autouse=True)
def unhurried(monkeypatch: pytest.MonkeyPatch) -> None:
    """On a busy machine anything may be slow; tests of that set their own limit."""
    monkeypatch.setattr(asking, "SLOW", 1.0)


def whole_guest(source: ScriptedSource, made: Any) -> None:
    """All regions of a made guest."""
    for span in made.memory.whole():
        source.poke(span.address, made.part(span))


async def actors(tmp_path: Path, watches: dict[str, str], sampling: str = "") -> Asker:
    asker = Asker(tmp_path, ACTORS, watches, sampling=sampling)
    whole_guest(asker.source, tidewright())
    await asker.open(declared=ByteOrder.BIG)
    return asker


async def settle(asker: Asker, frames: int = 4) -> None:
    """Enough frames for a question to be made ready and its lines to come."""
    for _ in range(frames):
        await asker.next()


async def test_an_answer_has_the_steps_and_a_reading_for_each(tmp_path: Path) -> None:
    asker = await actors(tmp_path, {"depth": "courier.depth"})
    question = asker.questions.ask("low(courier.held.position.x)")
    assert (question.serial, question.answer) == (0, None)
    await settle(asker)
    answer = answered(question)
    assert [step.kind for step in answer.steps] == [
        *("symbol", "add", "follow", "add", "add", "value", "part", "result")
    ]
    courier, _, held, _, x, value, part, last = answer.readings
    assert (courier.value, held.value, x.value) == (0x8000_1000, 0x8000_2000, 0x8000_2010)
    assert value.value == int.from_bytes(struct.pack(">f", 4.5), "big")
    # IEEE 754 binary32: 4.5 is 0x40900000
    assert (part.value, part.address) == (0x0000, 0x8000_2012)
    assert (last.value, last.address, last.watch.name) == (0x0000, 0x8000_2012, "result")
    assert (answer.frame, answer.build) == (asker.source._number, "only")
    assert answer.readings is answer.readings


async def test_each_frame_gives_a_newer_answer_and_wakes_who_waits(tmp_path: Path) -> None:
    asker = await actors(tmp_path, {"depth": "courier.depth"})
    question = asker.questions.ask("courier.depth + 1")
    await settle(asker)
    serial = question.serial
    waiting = asyncio.create_task(question.newer(serial, 5))
    await asyncio.sleep(0)
    assert not waiting.done()
    asker.source.poke(0x8000_101E, struct.pack(">h", 70))
    await asker.next()
    await asyncio.wait_for(waiting, 1)
    assert question.serial == serial + 1
    assert result(question).value == 71


async def test_who_waits_longer_than_patience_gets_the_answer_there_is(tmp_path: Path) -> None:
    asker = await actors(tmp_path, {"depth": "courier.depth"})
    question = asker.questions.ask("courier.depth")
    waiting = asyncio.create_task(question.newer(0, 0.02))
    await asyncio.sleep(0.1)
    assert not waiting.done()  # there is none yet
    await settle(asker)
    await asyncio.wait_for(waiting, 1)
    now = asyncio.get_running_loop().time
    began = now()
    await question.newer(question.serial, 0.05)
    assert now() - began == pytest.approx(0.05)


async def test_closing_wakes_who_waits_and_may_be_done_twice(tmp_path: Path) -> None:
    asker = await actors(tmp_path, {"depth": "courier.depth"})
    question = asker.questions.ask("courier.depth")
    await settle(asker)
    serial, answer = question.serial, question.answer
    waiting = asyncio.create_task(question.newer(serial, 5))
    await asyncio.sleep(0)
    question.close()
    question.close()
    await asyncio.wait_for(waiting, 1)
    assert asker.questions.open == []
    await settle(asker)
    assert (question.serial, question.answer) == (serial, answer)


def test_no_more_than_the_most_are_open_at_a_time() -> None:
    questions = Questions(VirtualClock())
    first, *_ = [questions.ask("1 + 1") for _ in range(Questions.MOST)]
    with pytest.raises(TooManyQuestions) as caught:
        questions.ask("1 + 1")
    assert str(caught.value) == "32 questions are open already; close one first"
    first.close()
    assert questions.ask("2").serial == 0


async def test_all_the_most_are_answered(tmp_path: Path) -> None:
    asker = await actors(tmp_path, {"depth": "courier.depth"})
    asked = [asker.questions.ask(f"courier.depth + {n}") for n in range(Questions.MOST)]
    await settle(asker, Questions.MOST + 2)
    assert [result(question).value for question in asked] == [n - 5 for n in range(Questions.MOST)]


async def test_a_text_that_is_no_expression_is_answered_once_with_its_error(
    tmp_path: Path,
) -> None:
    asker = await actors(tmp_path, {"depth": "courier.depth", "dry": "courier.small"})
    question = asker.questions.ask("courier.depht + 1")
    await settle(asker)
    answer = question.answer
    assert answer is not None
    assert isinstance(answer.error, ExpressionError)
    assert answer.error.detail == "Actor has no field depht; did you mean depth?"
    assert answer.error.column == 0
    assert (answer.steps, answer.readings, answer.strip) == ((), (), None)
    assert (question.serial, answer.build) == (1, "only")
    unknown = asker.questions.ask("1 + dri")
    await settle(asker)
    assert unknown.answer is not None
    assert unknown.answer.error is not None
    assert unknown.answer.error.column == 4
    assert "dry" in unknown.answer.error.detail  # the advice knows the watches


async def test_a_watchs_name_is_answered_with_the_watchs_own_reading(tmp_path: Path) -> None:
    watches = {
        "seen": "count(courier.depth > 0)",
        "twice": "seen * 2",
        "lower": "low(courier.position.x)",
    }
    asker = await actors(tmp_path, watches)
    for depth in (1, -1, 1, -1, 1):
        asker.source.poke(0x8000_101E, struct.pack(">h", depth))
        await asker.next()
    named, anew = asker.questions.ask("seen"), asker.questions.ask("seen + 0")
    through = asker.questions.ask("twice")
    half = asker.questions.ask("lower")
    await settle(asker, 5)
    frame = await asker.next()
    assert frame.readings[0].value == 2
    assert result(named).value == 2
    assert result(through).value == 4
    assert result(anew).value == 0  # functions over frames begin with the question
    assert result(half).watch.expression == "low(courier.position.x)"
    assert [step.kind for step in answered(half).steps][-3:] == ["value", "part", "result"]


async def test_functions_over_frames_begin_when_asked_and_a_reset_clears_them(
    tmp_path: Path,
) -> None:
    asker = await actors(tmp_path, {"depth": "courier.depth"}, 'frame = "frame"')

    async def frame(number: int, depth: int) -> None:
        asker.source.poke(0x8000_0134, struct.pack(">I", number))
        asker.source.poke(0x8000_101E, struct.pack(">h", depth))
        await asker.next()

    await frame(500, 900)
    question = asker.questions.ask("highest(courier.depth)")
    for number, depth in ((501, 20), (502, 30), (503, 10)):
        await frame(number, depth)
    assert result(question).value == 30
    assert asker.sampler is not None
    await frame(7, 5)
    assert asker.sampler.stats.resets == 1
    assert result(question).value == 5


async def test_state_over_frames_goes_on_when_the_source_comes_back(tmp_path: Path) -> None:
    asker = await actors(tmp_path, {"depth": "courier.depth"}, 'frame = "frame"')

    async def frame(number: int, depth: int) -> None:
        asker.source.poke(0x8000_0134, struct.pack(">I", number))
        asker.source.poke(0x8000_101E, struct.pack(">h", depth))
        await asker.next()

    await frame(1, 0)
    question = asker.questions.ask("highest(courier.depth)")
    await frame(2, 90)
    await frame(3, 1)
    assert result(question).value == 90
    await asker.open(declared=ByteOrder.BIG)
    for number in (4, 5, 6):
        await frame(number, 2)
    assert result(question).value == 90
    await asker.open(declared=ByteOrder.BIG)
    for number in (1, 2, 3):  # the game was begun anew meanwhile
        await frame(number, 3)
    assert result(question).value == 3


async def test_a_question_follows_to_another_build_and_an_error_is_tried_again(
    tmp_path: Path,
) -> None:
    asker = Asker(tmp_path, SCHEMA, {"far": "head.next.value"})
    asker.prepared_builds["print"] = replace(asker.prepared_builds["print"], watches=())
    guest(asker.source)
    asker.source.poke(0x8000_1800, (0x8000_2004 - 4 + 0x1000).to_bytes(4, "big"))
    await asker.open()
    value, named = asker.questions.ask("head.next.value"), asker.questions.ask("far + 1")
    await settle(asker)
    assert (answered(value).build, result(value).value) == ("print", 0)
    assert named.answer is not None
    assert named.answer.error is not None
    asker.source.poke(0x8000_0400, b"TIDE 1.1")
    asker.source.next()  # this one is found to be of no known build
    await settle(asker, 5)
    assert (answered(value).build, result(value).value) == ("export", 42)
    assert (answered(named).build, result(named).value) == ("export", 43)


async def test_while_no_build_is_known_the_note_says_why(tmp_path: Path) -> None:
    asker = Asker(tmp_path, SCHEMA, {"far": "head.value"})
    await asker.open()
    question = asker.questions.ask("head.next.value")
    await asker.next()
    assert question.answer is not None
    assert question.answer.note.startswith("no build is recognised: print wants")
    later = asker.questions.ask("head.value")
    assert later.answer is not None
    assert later.answer.note == question.answer.note
    assert (later.answer.frame, later.answer.build, later.answer.steps) == (0, "", ())
    guest(asker.source)
    await settle(asker, 5)
    assert result(question).value == 0
    assert result(later).status is Status.OK


# the strip


async def strip_of(tmp_path: Path, text: str, made: Any = None, schema: str = ACTORS) -> Any:
    asker = Asker(tmp_path, schema, {"one": "1"})
    whole_guest(asker.source, made or tidewright())
    await asker.open(declared=ByteOrder.BIG)
    question = asker.questions.ask(text)
    await settle(asker)
    return answered(question).strip


@pytest.mark.parametrize(
    ("text", "address", "value", "part", "kind"),
    [
        ("courier.depth", 0x8000_1010, (14, 2), None, "s16"),
        ("low(courier.flags)", 0x8000_1000, (4, 4), (6, 2), "ActorFlags"),
        ("high(courier.flags)", 0x8000_1000, (4, 4), (4, 2), "ActorFlags"),
        ("byte(courier.flags, 0)", 0x8000_1000, (4, 4), (7, 1), "ActorFlags"),
        ("courier.flags.carried", 0x8000_1000, (4, 4), None, "ActorFlags"),
        ("courier.name", 0x8000_1000, (8, 8), None, "char[8]"),
        ("courier.held", 0x8000_1020, (0, 4), None, "Actor*"),
        ("courier.depth + courier.held.small", 0x8000_2000, (3, 1), None, "u8"),
    ],
)
async def test_the_strip_marks_what_the_last_step_read(
    tmp_path: Path, text: str, address: int, value: Any, part: Any, kind: str
) -> None:
    strip = await strip_of(tmp_path, text)
    assert strip.address == address
    assert (strip.value_offset, strip.value_size) == value
    assert (strip.part_offset, strip.part_size) == (part or (None, None))
    assert (strip.type, strip.big_endian) == (kind, True)
    made = tidewright()
    flat = made.memory.flat(address, 16)
    assert flat is not None
    assert strip.data == tuple(made.bytes[flat : flat + 16])


async def test_the_strip_of_an_f64_and_of_a_bit_field(tmp_path: Path) -> None:
    double, packed = (
        next(line.split()[0] for line in ACTORS.splitlines() if f"at = 0x{offset:02X}" in line)
        for offset in (0x40, 0x4C)
    )
    strip = await strip_of(tmp_path, f"courier.{double}")
    assert (strip.address, strip.value_offset, strip.value_size) == (0x8000_1040, 0, 8)
    assert bytes(strip.data[:8]) == struct.pack(">d", 0.1)
    strip = await strip_of(tmp_path, f"courier.{packed}")
    assert (strip.address, strip.value_offset, strip.value_size) == (0x8000_1040, 12, 4)
    assert bytes(strip.data[12:]) == struct.pack(">I", 21 << 27 | 0x3D << 10)
    assert "bits" in strip.type


async def test_the_strip_of_a_little_endian_guest_marks_the_other_half(tmp_path: Path) -> None:
    asker = Asker(tmp_path, schema_text("little"), {"one": "1"})
    made = HeapGuest(endian="little")
    made.poke(0x8000_0118, "I", 0x1122_3344)
    whole_guest(asker.source, made)
    await asker.open(declared=ByteOrder.BIG)
    low, high = asker.questions.ask("low(word)"), asker.questions.ask("high(word)")
    await settle(asker)
    strips = [answered(low).strip, answered(high).strip]
    assert [result(low).value, result(high).value] == [0x3344, 0x1122]
    for strip, part in zip(strips, (8, 10), strict=True):
        assert strip is not None
        assert (strip.value_offset, strip.part_offset, strip.part_size) == (8, part, 2)
        assert strip.data[8:12] == (0x44, 0x33, 0x22, 0x11)
        assert strip.big_endian is False


EDGES = """
[game]
name = "Tidewright"
[memory]
endian = "big"
regions = [
    { name = "ram", start = 0x8000_0008, size = 0x124 },
    { name = "pad", start = 0x9000_0000, size = 0x40, mirrors = [0xB000_0000] },
]
[structs.Long.fields]
text = { at = 0, type = "char[48]" }
[symbols]
first = "u32"
last = "u32"
wide = "u64"
long = "Long"
mirror = "u32*"
[builds.only]
at = { first = 0x8000_0008, last = 0x8000_0128, wide = 0x8000_000C, long = 0x8000_0024, mirror = 0x8000_0014 }
"""  # noqa: E501


@pytest.mark.parametrize(
    ("text", "address", "shown", "missing"),
    [
        ("first", 0x8000_0000, (8, 4, 16), range(8)),
        ("last", 0x8000_0120, (8, 4, 16), range(12, 16)),
        ("wide", 0x8000_0000, (12, 8, 32), range(8)),
        ("long.text", 0x8000_0020, (4, 28, 32), range(0)),
        ("mirror[0]", 0xB000_0000, (4, 4, 16), range(0)),
    ],
)
async def test_the_strip_at_the_edges_of_a_region(
    tmp_path: Path, text: str, address: int, shown: Any, missing: range
) -> None:
    asker = Asker(tmp_path, EDGES, {"one": "1"})
    ram = bytes(n % 251 + 1 for n in range(0x124))
    asker.source.poke(0x8000_0008, ram)
    asker.source.poke(0x8000_0014, (0xB000_0004).to_bytes(4, "big"))
    asker.source.poke(0x9000_0000, bytes(range(0x40)))
    await asker.open(declared=ByteOrder.BIG)
    question = asker.questions.ask(text)
    await settle(asker)
    strip = answered(question).strip
    assert strip is not None
    assert strip.address == address
    assert (strip.value_offset, strip.value_size, len(strip.data)) == shown
    assert [n for n, byte in enumerate(strip.data) if byte is None] == list(missing)


async def test_what_is_not_held_is_no_byte_of_the_strip(tmp_path: Path) -> None:
    # flat lines begin with the region, so that here a row of 16 bytes lies in two of them
    asker = Asker(tmp_path, EDGES, {"one": "1"})
    asker.source.refuse(0x8000_0108, 16)
    await asker.open(declared=ByteOrder.BIG)
    question = asker.questions.ask("at(0x80000104, 'u32')")
    gone = asker.questions.ask("last")
    await settle(asker)
    strip = answered(question).strip
    assert strip is not None
    assert strip.data == (0,) * 8 + (None,) * 8
    assert result(gone).status is Status.UNMAPPED
    gone_strip = answered(gone).strip
    assert gone_strip is not None
    assert (gone_strip.value_offset, gone_strip.value_size) == (8, 4)
    assert gone_strip.data == (None,) * 16


async def test_where_nothing_was_read_there_is_no_strip(tmp_path: Path) -> None:
    asker = await actors(tmp_path, {"one": "1"})
    texts = ("1 + 1", "nothing.small", "wild.small", "len([a for a in chain(head, 'next')])")
    asked = [asker.questions.ask(text) for text in texts]
    await settle(asker, 6)
    assert [result(question).status for question in asked] == ["ok", "null", "unmapped", "ok"]
    for question in (asked[0], asked[1], asked[2]):
        assert answered(question).strip is None


# the heap


async def test_questions_on_the_heap(tmp_path: Path) -> None:
    made = HeapGuest()
    made.heap(changed(gulls(40), 7, kind=2, size=0x60))
    made.aim(made.start(7) + 0x10)
    asker = Asker(tmp_path, schema_text(), {"one": "1"})
    whole_guest(asker.source, made)
    await asker.open(declared=ByteOrder.BIG)
    owner = asker.questions.ask("block(held).owner")
    count_of = asker.questions.ask("len([b for b in blocks() if b.owner == 'gull'])")
    pointed = asker.questions.ask("held.kind")
    await settle(asker, 8)
    assert result(owner).value == "lantern"
    assert result(count_of).value == 39
    heap = answered(count_of).heap
    assert heap is not None
    assert [block.owner for block in heap.blocks].count("gull") == 39
    assert result(pointed).status is Status.BETWEEN
    assert "not at its start" in result(pointed).reason
    asker.source.poke(HELD, made.start(3).to_bytes(4, "big"))
    await settle(asker, 2)
    assert result(owner).value == "gull"
    assert result(pointed).status is Status.OK


async def test_a_pointer_that_was_aimed_before_the_question_is_known_to_be_stale(
    tmp_path: Path,
) -> None:
    made = HeapGuest()
    made.heap(gulls(10))
    made.aim(made.start(4))
    asker = Asker(tmp_path, schema_text(), {"kind": "held.kind"})
    whole_guest(asker.source, made)
    await asker.open(declared=ByteOrder.BIG)
    await settle(asker)
    made.heap(changed(gulls(10), 4, kind=2))
    asker.source.poke(0x8001_0000, bytes(made.bytes[0x1_0000:0x1_1000]))
    frame = await asker.next()
    assert frame.readings[0].status is Status.CHANGED
    text, name = asker.questions.ask("held.kind + 0"), asker.questions.ask("kind")
    frame = await asker.next()
    await asker.next()
    for question in (text, name):
        assert result(question).status is Status.CHANGED
        follow = next(n for n, s in enumerate(answered(question).steps) if s.kind == "follow")
        assert answered(question).readings[follow].status is Status.CHANGED


async def test_a_block_that_left_the_heap_while_a_question_rested_is_known_to_have_left(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    made = HeapGuest()
    made.heap(gulls(10))
    made.aim(made.start(4))
    asker = Asker(tmp_path, schema_text(), {"kind": "held.kind"})
    whole_guest(asker.source, made)
    await asker.open(declared=ByteOrder.BIG)
    question = asker.questions.ask("held.kind + 0")
    await settle(asker)
    assert result(question).status is Status.OK

    def room(base: int) -> None:
        made.heap(gulls(10), base)
        asker.source.poke(0x8000_0100, bytes(made.bytes[0x100:0x104]))
        asker.source.poke(base, bytes(made.bytes[base - 0x8000_0000 :][:0x1000]))

    with monkeypatch.context() as resting:
        resting.setattr(asking.QuestionScheduler, "_due", lambda self: [])
        room(0x8001_4000)
        frame = await asker.next()
        assert frame.readings[0].status is Status.FREED
    room(0x8001_0000)
    await settle(asker)
    came = "held was aimed at gull (block 4), which left the heap; block 4 (gull) came there later"
    frame = await asker.next()
    for reading in (frame.readings[0], result(question)):
        assert (reading.status, reading.reason) == (Status.CHANGED, came)


async def test_the_heap_is_walked_once_for_all_questions(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    walks: list[object] = []
    heap = HeapWalk.heap

    def counted(self: HeapWalk, image: Image) -> Heap:
        if self.found is None:
            walks.append(self)
        return heap(self, image)

    made = HeapGuest()
    made.heap(gulls(30))
    asker = Asker(tmp_path, schema_text(), {"many": "len(blocks())"})
    whole_guest(asker.source, made)
    await asker.open(declared=ByteOrder.BIG)
    asked = [asker.questions.ask(f"len(blocks()) + {n}") for n in range(5)]
    await settle(asker, 8)
    monkeypatch.setattr(HeapWalk, "heap", counted)
    await asker.next()
    assert [result(question).value for question in asked] == [30, 31, 32, 33, 34]
    assert len(walks) == 1


# the budget


class FineClock(SystemClock):
    """Counts a thread's time in steps that are small beside what a question takes.

    On Windows a thread's own time has steps of 16 ms ("GetThreadTimes" in Microsoft's reference).
    """

    processor_time = staticmethod(time.perf_counter if WINDOWS else SystemClock.processor_time)


async def test_a_silly_expression_is_an_error_and_rests(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    made = HeapGuest()
    made.heap(gulls(400))
    asker = Asker(tmp_path, schema_text(), {"many": "len(blocks())"}, clock=FineClock())
    whole_guest(asker.source, made)
    await asker.open(declared=ByteOrder.BIG)
    silly = asker.questions.ask(
        "len([a for a in blocks() if len([b for b in blocks() if b.size > a.start]) > 0])"
    )
    simple = asker.questions.ask("len(blocks()) * 2")
    await settle(asker, 6)
    reading = result(silly)
    assert reading.status is Status.ERROR
    assert reading.reason.endswith("its lists take more than 50000 steps, the most for a question")
    assert asker.sampler is not None
    assert asker.continuity.questions is not None
    costs = [asker.continuity.questions._asked[question] for question in (silly, simple)]
    slow, quick = (one.cost for one in costs if isinstance(one, PreparedQuestion))
    assert quick < slow
    monkeypatch.setattr(asking, "SLOW", (quick + slow) / 2)
    before = silly.serial, simple.serial
    for _ in range(30):
        frame = await asker.next()
        assert frame.readings[0].value == 400
    assert simple.serial - before[1] > silly.serial - before[0]
    assert silly.serial - before[0] < 30


async def test_slow_questions_take_turns(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(asking, "SLOW", -1.0)
    monkeypatch.setattr(asking, "REST", 0)
    asker = await actors(tmp_path, {"one": "1"})
    asked = [asker.questions.ask(f"courier.depth + {n}") for n in range(3)]
    await settle(asker, 6)
    before = [question.serial for question in asked]
    await settle(asker, 6)
    assert [q.serial - was for q, was in zip(asked, before, strict=True)] == [2, 2, 2]


async def test_a_question_is_ended_by_the_clock_too(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(asked, "LONGEST", -1.0)
    made = HeapGuest()
    made.heap(gulls(100))
    asker = Asker(tmp_path, schema_text(), {"many": "len(blocks())"})
    whole_guest(asker.source, made)
    await asker.open(declared=ByteOrder.BIG)
    question = asker.questions.ask("sum([b.size for b in blocks()])")
    short = asker.questions.ask("sum([b.size for b in blocks() if b.index < 0]) + held.word")
    await settle(asker, 6)
    reason = "its lists take more than -1000 ms, the most for a question"
    assert result(question).status is Status.ERROR
    assert result(question).reason == f"sum([b.size for b in blocks()]): {reason}"
    told = answered(short).working
    assert [r.value for s, r in told if s.kind == "symbol"] == [0x8000_0108]


async def test_a_question_that_fails_in_an_unforeseen_way_harms_nobody(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    asker = await actors(tmp_path, {"depth": "courier.depth"})
    good, bad = asker.questions.ask("courier.depth + 1"), asker.questions.ask("courier.depth + 2")
    await settle(asker)
    assert result(bad).value == -3
    evaluate = asked._Bounded.evaluate

    def failing(self: Any, *arguments: Any, **named: Any) -> set[int]:
        if any(slot.text.endswith("+ 2") for slot in self.program.slots):
            raise RuntimeError("a plank is missing")
        return evaluate(self, *arguments, **named)

    monkeypatch.setattr(asked._Bounded, "evaluate", failing)
    before = good.serial
    for _ in range(3):
        frame = await asker.next()
        assert frame.readings[0].value == -5
    assert good.serial - before == 3
    assert bad.answer is not None
    assert bad.answer.error is not None
    assert bad.answer.error.detail == "cannot be evaluated: a plank is missing"

    def broken(*arguments: Any, **named: Any) -> None:
        raise RuntimeError("the strip is torn")

    monkeypatch.setattr(asked, "strip_around", broken)
    await asker.next()
    assert good.answer is not None
    assert good.answer.error is not None
    assert good.answer.error.detail == "cannot be evaluated: the strip is torn"
    assert (await asker.next()).readings[0].value == -5


async def test_a_question_has_none_of_the_watches_that_it_does_not_use(tmp_path: Path) -> None:
    watches = {f"w{n}": f"courier.depth + {n}" for n in range(50)} | {"top": "w7 + w8"}
    asker = await actors(tmp_path, watches)
    await asker.next()
    sampler = asker.sampler
    assert sampler is not None
    assert sampler.prepared is not None
    assert sampler._evaluator is not None
    one = PreparedQuestion(
        "top * 2", None, sampler.prepared, sampler.opened, sampler._evaluator, asker.clock
    )
    names = {slot.name for slot in one.evaluator.program.slots}
    assert {"w7", "w8", "top"} <= names
    assert not names & {"w6", "w9", "w49"}


async def test_watches_may_be_given_with_the_question(tmp_path: Path) -> None:
    asker = await actors(tmp_path, {"depth": "courier.depth"})
    question = asker.questions.ask("kept + depth", {"kept": "7", "depth": "100"})
    named = asker.questions.ask("depth", {"depth": "100"})
    await settle(asker)
    assert result(question).value == 107
    assert result(named).value == 100


# the watches never notice


async def test_watches_read_the_same_with_and_without_questions(tmp_path: Path) -> None:
    watches = {
        "far": "head.next.next.value",
        "change": "change(head.next.next.value)",
        "held": "frames_of(head.next.value > 5)",
        "most": "highest(head.value)",
        "mean": "average(head.next.value, 5)",
        "list": "sum([n.value for n in chain(head, 'next')])",
    }
    texts = [
        "far",
        "mean * 2",
        "head.next.next.next.next.value",
        "at(head.value * 256 + 0x80000000, 'u32')",
        "[n for n in chain(head, 'next') if 1 / n.value > 2]",
        "sum([n.value for n in chain(head, 'next')]) / head.value",
        "len([a for a in chain(head,'next') if len([b for b in chain(head,'next')]) > 2])",
        "head.nxt",
        "change(list) + count(head.value > 3)",
    ]
    everything = []
    for asks in (False, True):
        directory = tmp_path / str(asks)
        directory.mkdir()
        source = ScriptedSource()
        guard = 'frame = "began"\nguard = { began = "began", ended = "ended" }'
        asker = Asker(directory, SCHEMA, watches, source, sampling=guard, asking=asks)
        guest(source)
        await asker.open()
        chance, seen = random.Random(5), []
        open_now: list[Question] = []
        for number in range(101, 401):
            node = 0x8000_2000 + 0x100 * chance.randrange(40)
            word = chance.choice([chance.randrange(20), 0x8000_2000 + 0x100 * chance.randrange(40)])
            source.poke(node + 4 * chance.randrange(2), word.to_bytes(4, "big"))
            source.poke(0x8000_1000, (0x8000_2000 + 0x100 * (number % 40)).to_bytes(4, "big"))
            if number == 250:
                count(source, 3)
                seen.append(await asker.take())
                continue
            if number > 250:
                number -= 240
            if asks and number % 7 == 0 and len(open_now) < 12:
                open_now.append(asker.questions.ask(chance_text(number, texts)))
            if asks and number % 23 == 0:
                open_now.pop(number % len(open_now)).close()
            count(source, number)
            seen.append(await asker.take())
        if asks:
            assert sum(question.serial for question in open_now) > 100
        everything.append(
            [
                (
                    *(frame.number, frame.stats.skipped, frame.stats.torn, frame.stats.resets),
                    *((r.status, r.value, r.reason, r.address) for r in frame.readings),
                )
                for frame in seen
            ]
        )
    assert everything[0] == everything[1]
    assert len(everything[0]) == 300


def chance_text(number: int, texts: list[str]) -> str:
    return texts[number % len(texts)]


def test_an_answer_makes_its_readings_once_and_only_when_asked() -> None:
    made = []

    def make() -> tuple[()]:
        made.append(1)
        return ()

    answer = Answer(1, "print", 0.0, make_readings=make)
    assert made == []
    assert answer.readings == answer.readings == ()
    assert made == [1]


@pytest.mark.parametrize("asked", [False, True], ids=["unasked", "asked"])
async def test_what_a_lost_source_was_read_into_is_freed_at_once(
    tmp_path: Path, asked: bool
) -> None:
    """A frame's image is as large as the RAM: none may wait for a search for cycles."""
    asker = await actors(tmp_path, {"depth": "courier.depth"})
    if asked:
        asker.questions.ask("low(courier.held.position.x)")
    await settle(asker)
    assert asker.sampler is not None
    image = weakref.ref(asker.sampler._lines.image)
    gc.disable()
    try:
        await asker.source.close()
        await asker.open(declared=ByteOrder.BIG)
        await settle(asker)
        assert image() is None
    finally:
        gc.enable()
