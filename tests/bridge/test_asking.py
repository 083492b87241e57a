"""Asking a person for what watches need: what is asked, what is taken, and what is doubted."""

from __future__ import annotations

import struct
from collections.abc import Mapping

import pytest

from bridge.asking.asking import MAX_READS, Asking, Change, Outcome
from bridge.asking.reached import Reached, Standing
from bridge.prepared import PreparedBuild
from bridge.readings.reading import Watch
from bridge.values.status import Status
from tests.bridge.made_guest import COURIER, CRATE, LANTERN, SCHEMA, Guest, tidewright

HELD = COURIER + 0x20


def asking_of(
    watches: Mapping[str, str], guest: Guest | None = None, *, addresses: bool = False
) -> Asking:
    guest = guest or tidewright()
    program = guest.program(watches)
    made = tuple(
        Watch(name, "", text, program.slots[program.watches[name]].type)
        for name, text in watches.items()
    )
    prepared = PreparedBuild(guest.layout, program, made, None, None)
    return Asking({"only": prepared}, guest.memory, addresses=addresses)


def word(address: int) -> str:
    return f"{address:08X}"


def answer(asking: Asking, text: str) -> str:
    outcome, words = asking.answer(text)
    assert outcome is Outcome.TAKEN, words
    return words


def place(asking: Asking) -> tuple[int, int]:
    assert asking.question is not None
    return asking.question.address, asking.question.size


def reached(asking: Asking, name: str) -> Reached:
    return next(each for each in asking.reached if each.aim.name == name)


def by_memory(asking: Asking, guest: Guest, most: int = 100) -> int:
    """Answer all questions from a guest's memory; gives how many there were."""
    for count in range(most):
        if asking.question is None:
            return count
        address, size = place(asking)
        flat = guest.memory.flat(address, size)
        assert flat is not None
        if asking.answer(guest.bytes[flat : flat + size].hex(" "))[0] is Outcome.DOUBTED:
            asking.confirm()
    raise AssertionError(f"still asked after {most}")


# -- what is asked, and in which order


def test_a_pointer_comes_first_then_what_it_points_at_with_the_sum() -> None:
    asking = asking_of({"low": "low(courier.held.position.x)", "kind": "courier.held.kind"})
    question = asking.question
    assert question is not None
    assert (question.number, question.words) == (1, "courier.held: a pointer to Actor")
    assert place(asking) == (HELD, 4)
    assert question.needed_by == ("low", "kind")
    assert question.total is None
    assert answer(asking, word(LANTERN)) == "taken as 0x80002000"
    question = asking.question
    assert question is not None
    # the low half alone is asked for: no watch needs the other one
    assert place(asking) == (LANTERN + 0x12, 2)
    assert question.words == "courier.held.position.x: bytes 2 to 3 of f32"
    assert question.total is not None
    assert question.total.base == "courier.held holds"
    assert question.total.labels == (".position.x", "bytes 2 to 3")
    # source: Python's own sums
    assert [step.after for step in question.total.steps] == [
        word(LANTERN + 0x10),
        word(LANTERN + 0x12),
    ]
    answer(asking, "2B6D")
    answer(asking, "lantern")
    assert asking.question is None
    assert (reached(asking, "low").text, reached(asking, "kind").text) == ("11117", "lantern")
    assert reached(asking, "low").address == LANTERN + 0x12


def test_a_sum_carries() -> None:
    asking = asking_of({"held": "courier.held.held"})
    answer(asking, word(0x8000_2FF0))
    assert asking.question is not None
    total = asking.question.total
    assert total is not None
    (step,) = total.steps
    # source: 2FF0 + 20 = 3010 on paper, sixteens carried twice
    assert (step.before, step.operand, step.after) == ("80002FF0", "00000020", "80003010")
    assert step.carries == "    11  "


def test_what_several_need_is_asked_once_and_whole() -> None:
    asking = asking_of(
        {"low": "low(courier.position.x)", "x": "courier.position.x", "way": "courier.position.x*2"}
    )
    assert place(asking) == (COURIER + 0x10, 4)
    assert asking.question is not None
    assert asking.question.needed_by == ("low", "x", "way")
    answer(asking, "1.5")
    assert asking.question is None
    assert [each.text for each in asking.reached] == ["0", "1.5", "3.0"]


def test_small_neighbours_in_a_word_are_asked_for_together() -> None:
    asking = asking_of({"small": "courier.small", "kind": "courier.kind", "tide": "courier.tide"})
    question = asking.question
    assert question is not None
    assert place(asking) == (COURIER, 4)
    assert [field.place for field in question.fields] == [
        "courier.kind",
        "courier.tide",
        "courier.small",
    ]
    assert question.answers == ("hexadecimal",)
    answer(asking, "00 02 FF 07")
    assert [each.text for each in asking.reached] == ["7", "lantern", "ebb"]


def test_neighbours_are_not_asked_for_over_a_gap_or_a_words_end() -> None:
    asking = asking_of({"kind": "courier.kind", "small": "courier.small", "part": "byte(word, 0)"}
                       | {"part": "courier.trim[1]", "next": "courier.trim[2]"})  # fmt: skip
    asked = []
    while asking.question is not None:
        asked.append(place(asking))
        asking.answer("00" * asking.question.size)
        asking.confirm()
    assert asked == [(COURIER, 2), (COURIER + 3, 1), (COURIER + 0x5A, 2), (COURIER + 0x5C, 2)]


def test_only_the_branch_that_is_taken_is_asked_for() -> None:
    asking = asking_of({"here": "courier.held.kind if courier.held != 0 else courier.kind"})
    answer(asking, "0x0")
    assert place(asking) == (COURIER, 2)
    answer(asking, "courier")
    assert asking.question is None
    assert reached(asking, "here").text == "courier"


def test_a_null_pointer_leads_nowhere_and_nothing_is_asked_behind_it() -> None:
    asking = asking_of({"x": "courier.held.position.x"})
    answer(asking, "00000000")
    assert asking.question is None
    found = reached(asking, "x")
    assert (found.standing, found.reason) == (Standing.ABSENT, "courier.held is null")
    assert found.reading is not None
    assert found.reading.status is Status.NULL


def test_addresses_are_enough_where_they_are_wanted() -> None:
    asking = asking_of(
        {"low": "low(courier.held.position.x)", "way": "courier.held.position.x - courier.facing"},
        addresses=True,
    )
    assert place(asking) == (HELD, 4)
    answer(asking, word(LANTERN))
    assert asking.question is None
    assert [(each.aim.part, each.address, each.standing) for each in asking.reached] == [
        ("", LANTERN + 0x12, Standing.ADDRESS),
        ("courier.held.position.x", LANTERN + 0x10, Standing.ADDRESS),
        ("courier.facing", COURIER + 0x1C, Standing.ADDRESS),
    ]


def test_a_list_is_asked_link_by_link() -> None:
    asking = asking_of({"count": 'len(chain(head, "next"))'})
    guest = tidewright()
    assert by_memory(asking, guest) == 3  # the head, and two links, the last of which is null
    assert reached(asking, "count").text == "2"


def test_a_list_that_is_too_long_to_type_is_given_up_and_others_are_not() -> None:
    guest = tidewright()
    for number in range(40):
        here = 0x8000_4000 + 0x80 * number
        guest.poke(here + 0x24, "I", here + 0x80 if number < 39 else 0)
    guest.poke(0x8000_0100, "I", 0x8000_4000)
    asking = asking_of({"count": 'len(chain(head, "next"))', "kind": "courier.kind"}, guest)
    assert place(asking) == (COURIER, 2)  # the list comes last
    answer(asking, "courier")
    assert asking.question is not None
    assert asking.question.hint == "answer 1 of at most 24 along a list or a heap"
    assert by_memory(asking, guest) == MAX_READS
    assert reached(asking, "kind").text == "courier"
    assert reached(asking, "count").standing is Standing.NOT_BY_HAND
    assert reached(asking, "count").reason == (
        "needs more than 24 answers: a list or a heap is too long to type"
    )


def test_what_needs_every_frame_is_not_asked_for() -> None:
    asking = asking_of({"went": "change(courier.position.x)", "kind": "courier.kind"})
    assert place(asking) == (COURIER, 2)
    answer(asking, "1")
    assert asking.question is None
    went = reached(asking, "went")
    assert went.standing is Standing.NOT_BY_HAND
    assert went.reason == (
        "change(courier.position.x) needs every frame of the game, which nobody can type"
    )


# -- what an answer may be


@pytest.mark.parametrize(
    ("watch", "text", "data"),
    [
        # source: Python's struct, and by hand for the rest
        ("courier.word", "deadbeef", bytes.fromhex("DEADBEEF")),
        ("courier.word", "DE AD BE EF", bytes.fromhex("DEADBEEF")),
        ("courier.word", "DEAD BEEF", bytes.fromhex("DEADBEEF")),
        ("courier.word", "0xBEEF", bytes.fromhex("0000BEEF")),
        ("courier.word", "12", struct.pack(">I", 12)),
        ("courier.word", "00000012", struct.pack(">I", 0x12)),
        ("courier.word", "+00000012", struct.pack(">I", 12)),
        ("courier.word", "4294967295", b"\xff\xff\xff\xff"),
        ("courier.drift", "-2", struct.pack(">q", -2)),
        ("courier.depth", "-5", struct.pack(">h", -5)),
        ("courier.small", "7", b"\x07"),
        ("courier.small", "12", b"\x12"),
        ("courier.small", "+12", b"\x0c"),
        ("courier.tide", "ebb", b"\xff"),
        ("courier.tide", "-1", b"\xff"),
        ("courier.tide", "Flood", b"\x01"),
        ("courier.kind", "lantern", b"\x00\x02"),
        ("courier.flags", "carried, visible", struct.pack(">I", 9)),
        ("courier.position.x", "1.5", struct.pack(">f", 1.5)),
        ("courier.position.x", "-0.0", b"\x80\x00\x00\x00"),
        ("courier.position.x", "3", struct.pack(">f", 3.0)),
        ("courier.position.x", "3FC00000", struct.pack(">f", 1.5)),
        ("courier.position.x", "1e-45", b"\x00\x00\x00\x01"),
        ("courier.real", "0.1", struct.pack(">d", 0.1)),
        ("courier.fine", "1.25", struct.pack(">i", 0x14000)),
        ("courier.name", "45 6D 62 65 72 00 00 00", b"Ember\0\0\0"),
        ("courier.word", "=12", struct.pack(">I", 12)),
    ],
)
def test_an_answer_is_taken(watch: str, text: str, data: bytes) -> None:
    asking = asking_of({"one": watch})
    outcome, words = asking.answer(text)
    assert (outcome, asking.log[-1].data) == (Outcome.TAKEN, data), words


@pytest.mark.parametrize("size", [4, 8])
def test_a_float_is_the_nearest_one_and_not_one_by_way_of_a_double(size: int) -> None:
    # just above the middle between 1 and the next binary32: a double in between rounds it down
    text = "1.00000005960464477539062500000000000001"
    asking = asking_of({"one": "courier.position.x" if size == 4 else "courier.real"})
    answer(asking, text)
    wanted = {4: "3F800001", 8: struct.pack(">d", float(text)).hex().upper()}
    assert asking.log[-1].data.hex().upper() == wanted[size]


def test_it_is_told_which_bits_were_taken() -> None:
    asking = asking_of({"x": "courier.position.x"})
    assert answer(asking, "0.1") == "taken as 0x3DCCCCCD = 0.1"


@pytest.mark.parametrize(
    ("watch", "text", "words"),
    [
        ("courier.held", "8000200", "8000200 has 7 digits"),
        ("courier.held", "0x180002000", "expected at most 8 digits, found 9"),
        ("courier.word", "-1", "-1 does not fit: expected 0 to 4294967295"),
        ("courier.depth", "40000", "40000 does not fit: expected -32768 to 32767"),
        ("courier.word", "4294967296", "4294967296 does not fit: expected 0 to 4294967295"),
        ("courier.word", "0x", "expected hexadecimal digits, found nothing behind 0x"),
        ("courier.word", "", "nothing was typed: expected 8 hexadecimal digits, fewer behind 0x or "
         "a decimal number"),
        ("courier.word", "1.5", '"1.5" is not an answer: expected 8 hexadecimal digits, fewer '
         "behind 0x or a decimal number"),
        ("courier.position.x", "1e39", "1e39 is too large for f32"),
        ("courier.fine", "40000.0", "40000.0 does not fit in q16.16"),
        ("courier.kind", "lantren", '"lantren" is not an answer: expected 4 hexadecimal digits, '
         'fewer behind 0x, a decimal number or a name; did you mean lantern?'),
        ("courier.name", "45 6D", "45 6D has 4 digits: expected 16 hexadecimal digits, byte by "
         "byte"),
        ("courier.word", "1" * 401, "expected at most 400 characters, found 401"),
    ],
)  # fmt: skip
def test_an_answer_is_refused(watch: str, text: str, words: str) -> None:
    asking = asking_of({"one": watch})
    outcome, told = asking.answer(text)
    assert outcome is Outcome.REFUSED
    assert told.startswith(words)
    assert asking.log == ()


# -- what is odd is questioned


@pytest.mark.parametrize(
    ("watch", "text", "why"),
    [
        ("courier.held", "12345678", "courier.held: 0x12345678 is outside ram (0x80000000 to "
         "0x8000FFFF) or pad (0x90000000 to 0x90000FFF)"),
        ("courier.held", "80002002", "courier.held: 0x80002002 is not a multiple of 4, as Actor "
         "must be"),
        ("courier.held", "8000FFF0", "courier.held: Actor at 0x8000FFF0 would reach past the end "
         "of ram, 0x80010000"),
        ("courier.kind", "9", "courier.kind: ActorKind has no 9: expected 1 (courier), 2 (lantern) "
         "or 3 (crate)"),
        ("courier.flags", "0x10", "courier.flags: ActorFlags has no bit for 0x10 of 0x10"),
        ("courier.position.x", "7FC00000", "courier.position.x: is not a number"),
        ("courier.position.x", "7F800000", "courier.position.x: is infinite"),
    ],
)  # fmt: skip
def test_what_can_hardly_be_is_questioned(watch: str, text: str, why: str) -> None:
    asking = asking_of({"one": watch})
    assert asking.answer(text) == (Outcome.DOUBTED, why)
    assert not asking.log
    assert asking.doubted is not None
    # it may stand there all the same
    assert asking.confirm()[0] is Outcome.TAKEN
    (told,) = list(asking.log)
    assert told.confirmed


def test_a_doubted_answer_is_corrected() -> None:
    asking = asking_of({"held": "courier.held"})
    asking.answer("12345678")
    assert asking.correct() == (Outcome.TAKEN, "not taken")
    assert asking.confirm() == (Outcome.REFUSED, "nothing is doubted")
    asking.answer("12345678")
    answer(asking, word(LANTERN))
    assert reached(asking, "held").text == "0x80002000"


def test_an_index_outside_of_memory_is_questioned_by_what_it_leads_to() -> None:
    asking = asking_of({"far": "at(head + 0x20000, 'Actor').kind"})
    outcome, why = asking.answer(word(LANTERN))
    assert outcome is Outcome.DOUBTED
    assert "is outside every region" in why


# -- undo, again, and what has changed


def test_all_is_undone_back_to_the_start() -> None:
    asking = asking_of({"low": "low(courier.held.position.x)"})
    answer(asking, word(LANTERN))
    answer(asking, "2B6D")
    asking.changed(Change.FRAME)
    answer(asking, "2B6E")
    assert reached(asking, "low").text == "11118"
    assert asking.undo() == (Outcome.TAKEN, "undone: 0x2B6E = 11118 at 0x80002012")
    assert asking.undo() == (Outcome.TAKEN, "undone")
    assert (reached(asking, "low").text, asking.moment) == ("11117", 1)
    asking.undo()
    asking.undo()
    assert asking.undo() == (Outcome.REFUSED, "nothing to undo: this is the start")
    assert place(asking) == (HELD, 4)
    assert asking.question is not None
    assert asking.question.number == 1


def test_after_a_frame_pointers_stay_and_after_a_room_nothing_does() -> None:
    watches = {"low": "low(courier.held.position.x)", "facing": "courier.facing"}
    asking, guest = asking_of(watches), tidewright()
    by_memory(asking, guest)
    assert asking.changed(Change.FRAME) == (Outcome.TAKEN, "2 answers are asked again, 1 kept")
    assert place(asking) == (LANTERN + 0x12, 2)
    assert asking.moment == 2
    assert by_memory(asking, guest) == 2
    assert [told.moment for told in asking.log] == [1, 2, 2]
    asking.changed(Change.ROOM)
    assert asking.log == ()
    assert by_memory(asking, guest) == 3


def test_one_is_asked_again_by_its_watch_its_place_or_its_number() -> None:
    watches = {"low": "low(courier.held.position.x)", "facing": "courier.facing"}
    asking, guest = asking_of(watches), tidewright()
    by_memory(asking, guest)
    assert asking.again("facing") == (Outcome.TAKEN, "1 answer is asked again, 2 kept")
    assert place(asking) == (COURIER + 0x1C, 2)
    by_memory(asking, guest)
    assert asking.again("courier.held")[0] is Outcome.TAKEN
    answer(asking, word(CRATE))  # something else is in hand now: it has another address
    assert place(asking) == (CRATE + 0x12, 2)
    asking.undo()
    # the same thing as before: what was typed of it is still known
    answer(asking, word(LANTERN))
    assert asking.question is None
    asking.again("low")
    assert place(asking) == (HELD, 4)
    assert asking.again("lo") == (
        Outcome.REFUSED,
        "nothing was typed for lo; did you mean low?",
    )
    by_memory(asking, guest)
    number = asking.log[-1].question.number
    asking.again(str(number))
    assert len(asking.log) == 2


def test_a_watch_is_left_out_and_taken_in_again() -> None:
    asking = asking_of({"x": "courier.held.position.x", "kind": "courier.kind"})
    assert asking.skip() == (Outcome.TAKEN, "left out: x")
    assert place(asking) == (COURIER, 2)
    assert (reached(asking, "x").standing, reached(asking, "x").reason) == (
        Standing.SKIPPED,
        "left out by you",
    )
    assert asking.again("x")[0] is Outcome.TAKEN
    assert place(asking) == (HELD, 4)


# -- which build


_HEAD, _, _PLACES = SCHEMA.partition("[builds.only]")
_MARK = 'recognise = [{ at = 0x8000_0000, text = "TIDE %s" }]'
TWO = (
    f"{_HEAD}[builds.other]\n{_MARK % '2.0'}{_PLACES.replace('0x8000_1000', '0x8000_1100')}"
    f"[builds.only]\n{_MARK % '1.0'}{_PLACES}"
)


def two_builds() -> Asking:
    guest = Guest(TWO)
    prepared = {}
    for name, layout in guest.schema.builds.items():
        guest.layout = layout
        program = guest.program({"kind": "courier.kind"})
        kind = program.slots[program.watches["kind"]].type
        watches = (Watch("kind", "", "courier.kind", kind),)
        prepared[name] = PreparedBuild(layout, program, watches, None, None)
    return Asking(prepared, guest.memory)


def test_the_build_is_told_by_its_recognise_bytes() -> None:
    asking = two_builds()
    assert asking.question is not None
    assert place(asking) == (0x8000_0000, 8)
    assert asking.question.hint == 'other has "TIDE 2.0", only has "TIDE 1.0"'
    assert asking.answer(b"TIDE 3.0".hex()) == (
        Outcome.REFUSED,
        'no build has 54 49 44 45 20 33 2E 30 there: other has "TIDE 2.0", only has "TIDE 1.0"',
    )
    answer(asking, b"TIDE 1.0".hex(" "))
    assert asking.build == "only"
    assert place(asking) == (COURIER, 2)
    answer(asking, "crate")
    # what the build keeps is never asked again
    asking.changed(Change.ROOM)
    assert (asking.build, place(asking)) == ("only", (COURIER, 2))
    asking.undo()
    asking.undo()
    asking.undo()
    assert asking.build == ""
    answer(asking, b"TIDE 2.0".hex(" "))
    assert (asking.build, place(asking)) == ("other", (COURIER + 0x100, 2))
