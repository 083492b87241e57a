"""The working of a value that comes of a list: what was walked, what was taken, and its sum."""

from __future__ import annotations

import random
import struct

import pytest

from bridge.evaluation.evaluator import Evaluator
from bridge.evaluation.frame_readings import frame_readings
from bridge.expressions.compiling import check
from bridge.memory.image import Image
from bridge.paths.derivation import MAX_ELEMENTS, DerivationStep, explain, working
from bridge.prepared import PreparedBuild
from bridge.readings.reading import Reading
from bridge.values.status import Status
from tests.bridge.made_guest import COURIER, CRATE, LANTERN, RING, Guest, tidewright
from tests.bridge.made_heap import HeapGuest, Made, changed, gulls

Lines = list[tuple[DerivationStep, Reading]]
HEAD = 0x8000_0100
NEXT, WORD = 0x24, 0x28


def worked(guest: Guest, text: str, *, whole: bool = True) -> Lines:
    prepared = PreparedBuild(guest.layout, check(guest.layout, {}), (), None, None)
    explained, steps = explain(prepared, {}, text)
    evaluator = Evaluator(explained.program, guest.layout, guest.memory, whole=whole)
    if whole:
        assert evaluator.evaluate(guest.image(), 1) == set()
    else:
        image = Image(guest.memory)
        missing = evaluator.evaluate(image, 1)
        while missing:
            for span in guest.memory.spans(missing):
                image.put(span, guest.part(span))
            missing = evaluator.evaluate(image, 1, again=True)
    make = frame_readings(evaluator, explained.watches, explained.program.watches)
    return list(working(steps, make()))


def told(lines: Lines) -> list[tuple[str, str, object]]:
    return [(step.kind, step.label, reading.value) for step, reading in lines]


CHAIN = 'chain(head, "next")'
WALKED: list[tuple[str, str, object]] = [
    ("symbol", "head", HEAD),
    ("value", "head", LANTERN),
    ("list", CHAIN, 2),
    ("element", "[0]", LANTERN),
    ("element", "[1]", CRATE),
]


@pytest.mark.parametrize("whole", [True, False], ids=["whole", "sparse"])
def test_the_elements_of_a_list_and_their_count(whole: bool) -> None:
    lines = worked(tidewright(), f"len({CHAIN})", whole=whole)
    assert told(lines) == [*WALKED, ("result", f"len({CHAIN})", 2)]
    assert [step.type for step, _ in lines] == [
        "Actor*",
        "Actor*",
        "Actor",
        "Actor",
        "Actor",
        "int",
    ]
    assert [reading.address for step, reading in lines if step.kind == "element"] == [
        LANTERN,
        CRATE,
    ]


@pytest.mark.parametrize("whole", [True, False], ids=["whole", "sparse"])
def test_the_first_element_and_the_sum_of_its_address(whole: bool) -> None:
    first = f"first({CHAIN})"
    assert told(worked(tidewright(), f"low({first}.word)", whole=whole)) == [
        *WALKED,
        ("taken", first, LANTERN),
        ("add", ".word", LANTERN + WORD),
        ("value", f"{first}.word", 7),
        ("part", f"low({first}.word)", 7),
        ("result", f"low({first}.word)", 7),
    ]


def test_which_element_was_taken_of_those_that_fit() -> None:
    fitting = f"[a for a in {CHAIN} if a.kind == ActorKind.crate]"
    lines = worked(tidewright(), f"first({fitting}).word")
    assert told(lines) == [
        *WALKED,
        ("list", fitting, 1),
        ("element", "[0]", CRATE),
        ("position", "a", 1),
        ("taken", "a", CRATE),
        ("taken", f"first({fitting})", CRATE),
        ("add", ".word", CRATE + WORD),
        ("value", f"first({fitting}).word", 9),
        ("result", f"first({fitting}).word", 9),
    ]
    of = {step.label: step for step, _ in lines if step.kind in ("list", "position")}
    assert (of[fitting].offset, of[CHAIN].offset, of["a"].type) == (2, 2, CHAIN)
    assert [step.offset for step, _ in lines if step.kind == "element"] == [0, 1, 1]


@pytest.mark.parametrize("whole", [True, False], ids=["whole", "sparse"])
def test_an_element_of_a_list_that_is_made_of_one_made_of_another(whole: bool) -> None:
    words = f"[a.word for a in {CHAIN}]"
    fitting = f"[b for b in {words} if b > 7]"
    text = f"first([c + 1 for c in {fitting}])"
    assert told(worked(tidewright(), text, whole=whole)) == [
        *WALKED,
        ("list", words, 2),
        ("element", "[0]", 7),
        ("element", "[1]", 9),
        ("list", fitting, 1),
        ("element", "[0]", 9),
        ("list", f"[c + 1 for c in {fitting}]", 1),
        ("element", "[0]", 10),
        ("position", "a", 1),
        ("taken", "a", CRATE),
        ("add", ".word", CRATE + WORD),
        ("value", "a.word", 9),
        ("position", "b", 1),
        ("position", "c", 0),
        ("result", text, 10),
    ]


@pytest.mark.parametrize(("function", "taken", "value"), [("max", CRATE, 9), ("min", LANTERN, 7)])
def test_which_element_is_the_least_or_the_greatest(function: str, taken: int, value: int) -> None:
    numbers = f"[a.word + 1 for a in {CHAIN}]"
    assert told(worked(tidewright(), f"{function}({numbers})")) == [
        *WALKED,
        ("list", numbers, 2),
        ("element", "[0]", 8),
        ("element", "[1]", 10),
        ("position", "a", [LANTERN, CRATE].index(taken)),
        ("taken", "a", taken),
        ("add", ".word", taken + WORD),
        ("value", "a.word", value),
        ("result", f"{function}({numbers})", value + 1),
    ]


def test_a_sum_has_elements_and_takes_none() -> None:
    numbers = f"[a.word for a in {CHAIN} if a.word < courier.small]"
    guest = tidewright()
    guest.poke(COURIER + 3, "B", 8)
    lines = told(worked(guest, f"sum({numbers})"))
    assert lines == [
        *WALKED,
        ("symbol", "courier", COURIER),
        ("add", ".small", COURIER + 3),
        ("value", "courier.small", 8),
        ("list", numbers, 1),
        ("element", "[0]", 7),
        ("result", f"sum({numbers})", 7),
    ]


def test_a_list_in_a_list_is_worked_out_for_the_element_that_was_taken() -> None:
    inner = "[b for b in chain(a.next, 'next') if b.word > a.word]"
    text = f"max([len({inner}) for a in {CHAIN}])"
    lines = told(worked(tidewright(), text))
    assert lines[len(WALKED) :] == [
        ("list", f"[len({inner}) for a in {CHAIN}]", 2),
        ("element", "[0]", 1),
        ("element", "[1]", 0),
        ("position", "a", 0),
        ("taken", "a", LANTERN),
        ("add", ".next", LANTERN + NEXT),
        ("value", "a.next", CRATE),
        ("list", "chain(a.next, 'next')", 1),
        ("element", "[0]", CRATE),
        ("taken", "a", LANTERN),
        ("add", ".word", LANTERN + WORD),
        ("value", "a.word", 7),
        ("list", inner, 1),
        ("element", "[0]", CRATE),
        ("result", text, 1),
    ]


def test_two_lists_whose_variables_have_one_name() -> None:
    text = (
        f"min([a.word for a in {CHAIN}]) + max([a.word for a in {CHAIN} if a.kind != 0]) "
        f"+ first([a.word for a in {CHAIN}])"
    )
    lines = worked(tidewright(), text)
    assert [r.value for s, r in lines if s.kind == "value" and s.label == "a.word"] == [7, 9, 7]
    assert [s.label for s, _ in lines].count(CHAIN) == 1
    assert lines[-1][1].value == 23


def test_an_empty_list_says_that_nothing_was_taken() -> None:
    none = f"[a for a in {CHAIN} if a.word == 1]"
    lines = worked(tidewright(), f"first({none}).word")
    assert [r.value for s, r in lines if s.label == none] == [0]
    assert not any(s.kind == "element" and s.label == "[0]" for s, _ in lines[len(WALKED) :])
    last = lines[-1][1]
    assert (last.status, last.reason) == (Status.NULL, f"first: {none} is empty")
    assert {r.reason for s, r in lines if s.kind == "position"} == {f"{none} is empty"}


def test_a_list_that_leads_astray_says_so_and_so_does_what_is_made_of_it() -> None:
    lines = worked(tidewright(), 'sum([a.word for a in chain(wild, "next")])')
    reason = 'chain(wild, "next") element: 0x1234569C is outside every region'
    lists = [(r.status, r.reason) for s, r in lines if s.kind in ("list", "result")]
    assert lists == [(Status.UNMAPPED, reason)] * 3


def test_a_long_list_is_told_in_part_with_how_many_more_there_are() -> None:
    guest = tidewright()
    for number in range(40):
        at = RING + 0x100 * number
        guest.poke(at + NEXT, "II", at + 0x100 if number < 39 else 0, number)
    lines = worked(guest, 'max([a.word for a in chain(ring, "next") if a.word % 2])')
    counts = [(s.offset, r.value) for s, r in lines if s.kind == "list"]
    assert counts == [(40, 40), (40, 20)]
    assert [r.value for s, r in lines if s.kind == "more"] == [
        40 - MAX_ELEMENTS,
        20 - MAX_ELEMENTS,
    ]
    assert [s.kind for s, _ in lines].count("element") == 2 * MAX_ELEMENTS
    # what was taken is told wherever it stands
    assert [r.value for s, r in lines if s.kind in ("position", "taken")] == [39, RING + 39 * 0x100]


# the heap


def test_a_block_is_told_with_what_is_known_of_it() -> None:
    guest = HeapGuest()
    guest.heap([Made(0x40, kind=3), Made(0x50, kind=2)])
    guest.aim(guest.start(1))
    known: list[tuple[str, str, object]] = [
        ("symbol", "held", 0x8000_0108),
        ("value", "held", guest.start(1)),
        ("block", "block(held)", guest.start(1)),
        ("field", ".index", 1),
        ("field", ".owner", "lantern"),
        ("field", ".size", 0x50),
    ]
    assert told(worked(guest, "block(held).size")) == [*known, ("result", "block(held).size", 0x50)]
    owner = [line if line[0] != "block" else (*line[:1], "owner(held)", line[2]) for line in known]
    assert told(worked(guest, "owner(held)")) == [*owner, ("result", "owner(held)", "lantern")]


def test_blocks_and_the_one_that_was_taken() -> None:
    guest = HeapGuest()
    guest.heap([Made(0x40, kind=3), Made(0x50, kind=2), Made(0x30, used=False)])
    text = "[b for b in blocks() if b.owner == 'lantern']"
    lines = worked(guest, f"first({text}).size", whole=False)
    starts = [guest.start(index) for index in range(3)]
    assert told(lines) == [
        ("list", "blocks()", 3),
        *(("element", f"[{number}]", start) for number, start in enumerate(starts)),
        ("list", text, 1),
        ("element", "[0]", starts[1]),
        ("position", "b", 1),
        ("block", "b", starts[1]),
        ("field", ".index", 1),
        ("field", ".owner", "lantern"),
        ("field", ".size", 0x50),
        ("block", f"first({text})", starts[1]),
        ("field", ".index", 1),
        ("field", ".owner", "lantern"),
        ("field", ".size", 0x50),
        ("result", f"first({text}).size", 0x50),
    ]
    assert [step.type for step, _ in lines[1:4]] == [
        "block 0, crate, 0x40 bytes",
        "block 1, lantern, 0x50 bytes",
        "block 2, free, 0x30 bytes",
    ]


def test_a_list_carries_the_warning_of_its_elements() -> None:
    guest = HeapGuest()
    guest.heap(changed(gulls(3, 0x40), 1, used=False))
    guest.aim(guest.start(0))
    guest.poke(guest.start(0) + 0x10, "I", guest.start(1))
    lines = worked(guest, "len(chain(held, 'next'))")
    warned = [(s.kind, r.status, r.reason) for s, r in lines if r.reason]
    reason = "an element of chain(held, 'next') points into a free block (block 1)"
    assert warned == [("list", Status.FREED, reason), ("result", Status.FREED, reason)]


def test_a_watch_that_ignores_the_heap_is_explained_without_its_warnings() -> None:
    guest = HeapGuest()
    guest.heap(changed(gulls(3, 0x40), 1, used=False))
    guest.aim(guest.start(1))
    watches = {"calm": "held.word", "warned": "held.word + 0"}
    prepared = PreparedBuild(guest.layout, check(guest.layout, watches, ["calm"]), (), None, None)
    for name, status in (("calm", Status.OK), ("warned", Status.FREED)):
        explained, steps = explain(prepared, watches, name)
        evaluator = Evaluator(explained.program, guest.layout, guest.memory, whole=True)
        evaluator.evaluate(guest.image(), 1)
        readings = frame_readings(evaluator, explained.watches, explained.program.watches)()
        follow = next(n for n, step in enumerate(steps) if step.kind == "follow")
        assert (readings[follow].status, readings[-1].status) == (status, status)


# against a plain model


def test_random_lists_against_a_plain_model() -> None:
    """The model walks the bytes with ``struct`` alone."""
    for seed in range(60):
        chance = random.Random(seed)
        guest = tidewright()
        count = chance.randrange(0, 20)
        places = chance.sample([RING + 0x80 * n for n in range(30)], count)
        guest.poke(0x8000_0118, "I", places[0] if places else 0)
        for here, there in zip(places, [*places[1:], 0], strict=False):
            guest.poke(here + NEXT, "II", there, chance.randrange(6))
        words = [struct.unpack_from(">I", guest.bytes, p + WORD - 0x8000_0000)[0] for p in places]
        kept = [p for p, word in zip(places, words, strict=True) if word >= 2]
        fitting = [word for word in words if word >= 2]
        listing = '[a.word for a in chain(ring, "next") if a.word >= 2]'
        for function in ("max", "min", "first"):
            lines = worked(guest, f"{function}({listing})", whole=bool(seed % 2))
            result = lines[-1][1]
            counts = [(s.offset, r.value) for s, r in lines if s.kind == "list"]
            assert counts == [(count, count), (count, len(kept))]
            taken = [r.value for s, r in lines if s.kind == "taken"]
            if not kept:
                assert (result.status, taken) == (Status.NULL, [None])
                continue
            best = (
                fitting[0] if function == "first" else {"max": max, "min": min}[function](fitting)
            )
            assert result.value == best
            assert taken == [kept[fitting.index(best)]]
            place = places.index(kept[fitting.index(best)])
            assert [r.value for s, r in lines if s.kind == "position"] == [place]
