"""What every operator and every function gives, on whole and on sparse images."""

from __future__ import annotations

import math
import re
import struct

import pytest

from bridge.evaluation.evaluator import Evaluator
from bridge.expressions.functions import table as functions
from bridge.memory.image import Image
from bridge.readings.reading import Reading, Watch
from bridge.values.status import Status
from bridge.values.value_type import Kind, Value
from schemas.errors import ExpressionError
from tests import manual
from tests.bridge.made_guest import COURIER, CRATE, LANTERN, PADDED, SCHEMA, Guest, tidewright
from tests.bridge.test_heap_expressions import VALUES as OF_HEAPS

TENTH_SINGLE = struct.unpack(">f", struct.pack(">f", 0.1))[0]
"""0.1 rounded to IEEE 754 binary32."""


@pytest.fixture(scope="module")
def guest() -> Guest:
    return tidewright()


@pytest.fixture(params=[True, False], ids=["whole", "sparse"])
def whole(request: pytest.FixtureRequest) -> bool:
    answer: bool = request.param
    return answer


READS: list[tuple[str, Value, int]] = [
    ("courier.kind", 1, COURIER),
    ("courier.tide", -1, COURIER + 2),
    ("courier.small", 200, COURIER + 3),
    ("courier.flags", 9, COURIER + 4),
    ("courier.flags.visible", True, COURIER + 4),
    ("courier.flags.harmless", False, COURIER + 4),
    ("courier.name", "Wren", COURIER + 8),
    ("courier.position.x", 1.5, COURIER + 0x10),
    ("courier.position.z", -3.0, COURIER + 0x18),
    ("courier.facing", 0x4000, COURIER + 0x1C),
    ("courier.depth", -5, COURIER + 0x1E),
    ("courier.held", LANTERN, COURIER + 0x20),
    ("courier.word", 0xDEADBEEF, COURIER + 0x28),
    ("courier.big", 0x0123456789ABCDEF, COURIER + 0x30),
    ("courier.drift", -2, COURIER + 0x38),
    ("courier.real", 0.1, COURIER + 0x40),
    ("courier.fine", 1.25, COURIER + 0x48),
    ("courier.hue", 21, COURIER + 0x4C),
    ("courier.lean", -3, COURIER + 0x4C),
    ("courier.mode", 2, COURIER + 0x50),
    ("courier.part", 2, COURIER + 0x54),
    ("courier.part.carried", True, COURIER + 0x54),
    ("courier.trim[3]", -40, COURIER + 0x5E),
    ("courier.trim[courier.kind]", -20, COURIER + 0x5A),
    ("courier.grid[1][0]", 4, COURIER + 0x63),
    ("courier.grid[courier.kind][courier.mode]", 6, COURIER + 0x65),
    ("courier.held.word", 7, LANTERN + 0x28),
    ("courier.held.next.word", 9, CRATE + 0x28),
    ("courier.held.next.position.x", TENTH_SINGLE, CRATE + 0x10),
    ("courier.watchers[0].next.kind", 3, CRATE),
    ("courier.holder[0].word", 7, LANTERN + 0x28),
    ("head[0].word", 7, LANTERN + 0x28),
    ("head[32].word", 9, CRATE + 0x28),
    ("head[courier.kind * 32].word", 9, CRATE + 0x28),
    ("numbers[0]", 0xDEADBEEF, COURIER + 0x28),
    ("numbers[step]", LANTERN, COURIER + 0x24),
    ("numbers[-1]", LANTERN, COURIER + 0x24),
    ("low(courier.word)", 0xBEEF, COURIER + 0x2A),
    ("high(courier.word)", 0xDEAD, COURIER + 0x28),
    ("low(courier.big)", 0x89ABCDEF, COURIER + 0x34),
    ("high(courier.big)", 0x01234567, COURIER + 0x30),
    ("low(courier.kind)", 1, COURIER + 1),
    ("high(courier.depth)", 0xFF, COURIER + 0x1E),
    ("high(courier.held.position.x)", 0x4090, LANTERN + 0x10),
    ("low(courier.held.next.position.x)", 0xCCCD, CRATE + 0x12),
    ("low(courier.held)", 0x2000, COURIER + 0x22),
    ("byte(courier.word, 0)", 0xEF, COURIER + 0x2B),
    ("byte(courier.word, 3)", 0xDE, COURIER + 0x28),
    ("bits(courier.depth)", 0xFFFB, COURIER + 0x1E),
    ("bits(courier.position.x)", 0x3FC00000, COURIER + 0x10),
    ("bits(courier.real)", 0x3FB999999999999A, COURIER + 0x40),
    ('at(0x80001028, "u16")', 0xDEAD, COURIER + 0x28),
    ('at(courier.held, "Actor").word', 7, LANTERN + 0x28),
    ('at(address(courier.trim) + 4, "s16[2]")[1]', -40, COURIER + 0x5E),
    ('at(0xA0001028, "u32")', 0xDEADBEEF, 0xA000_1028),
    ("mirror.word", 7, 0xA000_2028),
    ("mirror.next.word", 9, CRATE + 0x28),
    ("padded.word", 77, PADDED + 0x28),
    ("padded.kind", 2, PADDED),
    ("odd.small", 0, COURIER + 4),
    ('first(chain(head, "next")).word', 7, LANTERN + 0x28),
]
"""Expression, value, and the guest address that it is read from."""


@pytest.mark.parametrize(("expression", "value", "address"), READS)
def test_a_read_gives_a_value_and_its_address(
    guest: Guest, whole: bool, expression: str, value: Value, address: int
) -> None:
    outcome = guest.outcome(expression, whole=whole)
    assert (outcome.status, outcome.reason) == (Status.OK, "")
    assert (outcome.value, type(outcome.value)) == (value, type(value))
    assert outcome.address == address


COMPUTED: list[tuple[str, Value]] = [
    ("2 + 3 * 4", 14),
    ("2 - -3", 5),
    ("+courier.depth", -5),
    ("-courier.depth", 5),
    ("7 / 2", 3.5),
    ("6 / 2", 3.0),
    ("-7 // 2", -4),
    ("-7 % 3", 2),
    ("7.5 // 2", 3.0),
    ("2 ** 10", 1024),
    ("2.0 ** -1", 0.5),
    ("2 ** 3 ** 2", 512),
    ("0b1100 & 0b1010", 0b1000),
    ("0b1100 | 0b1010", 0b1110),
    ("0b1100 ^ 0b1010", 0b0110),
    ("~0x0F", -16),
    ("~courier.flags.visible", -2),
    ("1 << 40", 1 << 40),
    ("-9 >> 1", -5),
    ("1 >> 100000", 0),
    ("0 << 100000", 0),
    ("0o17 + 0b11 + 0x_FF + 1_000", 15 + 3 + 255 + 1000),
    ("1e3", 1000.0),
    ("True + True", 2),
    ("courier.word == 0xDEADBEEF", True),
    ("courier.word != 0xDEADBEEF", False),
    ("1 < 2 < 3", True),
    ("1 < 3 < 2", False),
    ("3 > 2 >= 2 > 1", True),
    ("1 <= 0", False),
    ("5 and 0", False),
    ("5 and 2", True),
    ("0 or 3", True),
    ("0 or 0.0", False),
    ("not courier.flags.carried", False),
    ("not 0", True),
    ("1 if courier.flags.carried else 2", 1),
    ("1 if 0 else 2.5", 2.5),
    ("1 if 1 else 2.5", 1.0),
    ("nothing and nothing.word", False),
    ("nothing == 0 or nothing.word", True),
    ("nothing.word if nothing else 5", 5),
    ("1 > 2 > nothing.word", False),
    ('courier.name == "Wren"', True),
    ('"a" < "b"', True),
    ('"x" if courier.small else "y"', "x"),
    ("courier.kind == ActorKind.courier", True),
    ("courier.tide == Tide.ebb", True),
    ("ActorKind.crate", 3),
    ("courier.held == 0x80002000", True),
    ("address(courier)", COURIER),
    ("address(courier.position.y)", COURIER + 0x14),
    ("address(courier.held.position)", LANTERN + 0x10),
    ("address(courier.held[1])", LANTERN + 0x80),
    ("signed(0xFFFF, 16)", -1),
    ("signed(0x17FFF, 16)", 0x7FFF),
    ("unsigned(-1, 8)", 255),
    ("unsigned(-1, 64)", (1 << 64) - 1),
    ("turn(0x0001, 0xFFFF)", 2),
    ("turn(0xFFFF, 0x0001)", -2),
    ("turn(0x8000, 0)", -0x8000),
    ("turn_frames(0x8000, 0)", 16),
    ("half_below(1.5, 0)", 1.5),
    ("half_above(64, 0x2B6D)", 64 + 0x2B6D / 2**17),
    ("with_low(64, 0x2B6D)", 64 + 0x2B6D / 2**17),
    ("with_high(64, 0x3F80)", 1.0),
    ("turn(courier.held.facing, courier.facing)", -0x8000),
    ("degrees(courier.facing)", 90.0),
    ("sin(courier.facing)", 1.0),
    ("cos(0x8000)", -1.0),
    ("sin(0x10000)", 0.0),
    ("atan2(1, 0)", 0x4000),
    ("atan2(0, -1)", 0x8000),
    ("atan2(-1, 0)", 0xC000),
    ("atan2(0, 0)", 0),
    ("abs(courier.depth)", 5),
    ("abs(-1.5)", 1.5),
    ("min(3, courier.depth, 8)", -5),
    ("min(1, 2.0)", 1.0),
    ("max(3, courier.depth, 8)", 8),
    ("round(2.5)", 2),
    ("round(3.5)", 4),
    ("round(-0.4)", 0),
    ("floor(-2.5)", -3),
    ("floor(7)", 7),
    ("sqrt(2)", math.sqrt(2)),
    ("hypot(3, 4)", 5.0),
    ("hypot(2, 3, 6)", 7.0),
    ("distance(courier.position, courier.held.position)", math.sqrt(41)),
    ("flat_distance(courier.position, courier.held.position)", 5.0),
    ('len(chain(head, "next"))', 2),
    ('len(chain(courier, "next"))', 3),
    ('len(chain(nothing, "next"))', 0),
    ('len(chain(ring, "next"))', 2),
    ('sum([a.word for a in chain(head, "next")])', 16),
    ('sum([a.word for a in chain(nothing, "next")])', 0),
    ('sum([a.position.x for a in chain(nothing, "next")])', 0.0),
    ('sum([a.position.x for a in chain(head, "next")])', 4.5 + TENTH_SINGLE),
    ('len([a for a in chain(head, "next") if a.kind == ActorKind.crate])', 1),
    ('min([a.word for a in chain(head, "next")])', 7),
    ('max([a.word for a in chain(head, "next") if a.word < 9])', 7),
    ('first([a.name for a in chain(head, "next") if a.word > 7])', "Crate"),
    ('first([a.word * 2 for a in chain(head, "next")])', 14),
    ('sum([len(chain(a, "next")) for a in chain(head, "next")])', 3),
    ('len([a.position for a in chain(head, "next")])', 2),
    ('sum([b + 1 for b in [a.word for a in chain(head, "next")]])', 18),
    ("frames_since(1)", 0),
    ("frames_of(1)", 1),
    ("frames_of(0)", 0),
    ("latest(courier.word, 1)", 0xDEADBEEF),
    ("latest(courier.name, 1)", "Wren"),
    ("count(1)", 0),
    ("highest(courier.depth)", -5),
    ("lowest(courier.position.x)", 1.5),
    ("average(courier.depth, 3)", -5.0),
]
"""Expression and value; none of these is read from one address."""


@pytest.mark.parametrize(("expression", "value"), COMPUTED)
def test_a_computed_value_is_exact(
    guest: Guest, whole: bool, expression: str, value: Value
) -> None:
    outcome = guest.outcome(expression, whole=whole)
    assert (outcome.status, outcome.reason) == (Status.OK, "")
    assert (outcome.value, type(outcome.value)) == (value, type(value))
    assert outcome.address is None


ABSENT: list[tuple[str, Status, str]] = [
    ("nothing.word", Status.NULL, "nothing is null"),
    ("nothing.held.word", Status.NULL, "nothing is null"),
    ("courier.watchers[1].word", Status.NULL, "courier.watchers[1] is null"),
    ("courier.held.held.position.x", Status.NULL, "courier.held.held is null"),
    ("low(nothing.word)", Status.NULL, "nothing is null"),
    ("address(nothing.word)", Status.NULL, "nothing is null"),
    ("nothing[step].word", Status.NULL, "nothing is null"),
    ("distance(nothing.position, courier.position)", Status.NULL, "nothing is null"),
    ('first(chain(nothing, "next")).word', Status.NULL,
     'first: chain(nothing, "next") is empty'),
    ('min([a.word for a in chain(nothing, "next")])', Status.NULL,
     'min([a.word for a in chain(nothing, "next")]): the list is empty'),
    ('at(0, "u32")', Status.NULL, 'at(0, "u32") is null'),
    ("wild.word", Status.UNMAPPED, "wild.word: 0x123456A0 is outside every region"),
    ("high(wild.word)", Status.UNMAPPED, "wild.word: 0x123456A0 is outside every region"),
    ("edge.position.x", Status.UNMAPPED, "edge.position.x: 0x80010000 is outside every region"),
    ('at(0x8000FFFC, "char[8]")', Status.UNMAPPED,
     'at(0x8000FFFC, "char[8]"): 0x8000FFFC and its size reach past the end of ram'),
    ('len(chain(wild, "next"))', Status.UNMAPPED,
     'chain(wild, "next") element: 0x1234569C is outside every region'),
    ("odd.word", Status.MISALIGNED, "odd.word: 0x80001029 is not a multiple of 4"),
    ("odd.kind", Status.MISALIGNED, "odd.kind: 0x80001001 is not a multiple of 2"),
    ("low(odd.word)", Status.MISALIGNED, "odd.word: 0x80001029 is not a multiple of 4"),
    ("half.real", Status.MISALIGNED, "half.real: 0x80001044 is not a multiple of 8"),
    ('len(chain(odd, "next"))', Status.MISALIGNED,
     'chain(odd, "next") element: 0x80001025 is not a multiple of 4'),
    ("1 / 0", Status.ERROR, "1 / 0: division by zero"),
    ("1 // 0", Status.ERROR, "1 // 0: division by zero"),
    ("1 % 0.0", Status.ERROR, "1 % 0.0: division by zero"),
    ("1 + courier.small / nothing", Status.ERROR,
     "1 + courier.small / nothing: division by zero"),
    ("2 ** -1", Status.ERROR,
     "2 ** -1: a whole number has no negative power; write 1.0 * x"),
    ("(-2.0) ** 0.5", Status.ERROR, "(-2.0) ** 0.5: a negative number has no broken power"),
    ("0.0 ** -1", Status.ERROR, "0.0 ** -1: division by zero"),
    ("(10**9) ** (10**9)", Status.ERROR,
     "(10**9) ** (10**9): the result has more than 1024 bits"),
    ("1 << 1024", Status.ERROR, "1 << 1024: the result has more than 1024 bits"),
    ("1 << -1", Status.ERROR, "1 << -1: a shift by a negative count"),
    ("1 >> -1", Status.ERROR, "1 >> -1: a shift by a negative count"),
    ("2 ** 1023 * 2", Status.ERROR, "2 ** 1023 * 2: the result has more than 1024 bits"),
    ("1e308 * 10", Status.ERROR, "1e308 * 10: the result overflows to infinity"),
    ("10.0 ** 400", Status.ERROR, "10.0 ** 400: the result is too large for a float"),
    ("2 ** 1024 * 1.0", Status.ERROR, "2 ** 1024 * 1.0: the result has more than 1024 bits"),
    (
        "(2 ** 1023 - 1 + 2 ** 1023) * 1.0",
        Status.ERROR,
        "(2 ** 1023 - 1 + 2 ** 1023) * 1.0: the result is too large for a float",
    ),
    ("sqrt(-1)", Status.ERROR, "sqrt(-1): a negative number has no square root"),
    ("broken + 1", Status.ERROR, "broken is not a number"),
    ("endless * 0", Status.ERROR, "endless is infinite"),
    ("courier.trim[courier.small]", Status.ERROR,
     "courier.trim[courier.small]: index 200 is outside 0 to 3"),
    ("courier.trim[step]", Status.ERROR, "courier.trim[step]: index -1 is outside 0 to 3"),
    ("previous(courier.word)", Status.WAITING,
     "previous(courier.word): there is no value a frame ago"),
    ("change(courier.depth)", Status.WAITING,
     "change(courier.depth): there is no value a frame ago"),
    ("frames_since(0)", Status.WAITING, "frames_since(0): has not been true yet"),
    ("latest(1, 0)", Status.WAITING, "latest(1, 0): there is no such value yet"),
    ("tally(1, 1)", Status.WAITING, "tally(1, 1): there has been no such moment yet"),
    ("highest(nothing.word)", Status.WAITING, "highest(nothing.word): there has been no value yet"),
    ("average(nothing.word, 2)", Status.WAITING,
     "average(nothing.word, 2): there has been no value yet"),
    ("frames_of(nothing.word)", Status.NULL, "nothing is null"),
    ("count(1) + previous(count(1))", Status.WAITING,
     "previous(count(1)): there is no value a frame ago"),
]  # fmt: skip


@pytest.mark.parametrize(("expression", "status", "reason"), ABSENT)
def test_what_has_no_value_has_a_status_and_a_reason(
    guest: Guest, whole: bool, expression: str, status: Status, reason: str
) -> None:
    outcome = guest.outcome(expression, whole=whole)
    assert (outcome.status, outcome.reason) == (status, reason)
    if expression not in ("broken + 1", "endless * 0"):
        assert outcome.value is None


LANTERNS = (
    'first([a.word for a in chain(nothing, "next") if a.kind == 1 and a.word != courier.word]) + 1'
)


@pytest.mark.parametrize(
    ("expression", "reason", "plain"),
    [
        ("nothing.word", "nothing is null", "nothing there: a null pointer"),
        # the whole expression, however long: what is cut in the middle says nothing
        (LANTERNS, f"first: {LANTERNS[6:-5]} is empty", "nothing there: an empty list"),
        (
            'max([a.word for a in chain(nothing, "next")])',
            'max([a.word for a in chain(nothing, "next")]): the list is empty',
            "nothing there: an empty list",
        ),
        (
            "wild.word",
            "wild.word: 0x123456A0 is outside every region",
            "nothing there: outside memory",
        ),
        (
            "odd.word",
            "odd.word: 0x80001029 is not a multiple of 4",
            "misaligned: a pointer that the game could not use",
        ),
        (
            "courier.small + courier.small + courier.small + courier.small / nothing",
            "courier.small + courier.small + courier.small + courier.small / nothing: division by "
            "zero",
            "no result: division by zero",
        ),
        (
            "courier.trim[step]",
            "courier.trim[step]: index -1 is outside 0 to 3",
            "no result: index -1 is outside 0 to 3",
        ),
        ("broken + 1", "broken is not a number", "no result: the value is not a number"),
        (
            "change(courier.depth)",
            "change(courier.depth): there is no value a frame ago",
            "waiting",
        ),
    ],
)
def test_a_reason_is_whole_and_pages_have_it_without_the_expression(
    guest: Guest, whole: bool, expression: str, reason: str, plain: str
) -> None:
    outcome = guest.outcome(expression, whole=whole)
    assert outcome.reason == reason
    shown = Reading(
        Watch("oil", "", expression, guest.type_of(expression)),
        outcome.status,
        reason=outcome.reason,
        cause=outcome.cause,
    )
    assert shown.plain == plain
    other = guest.run({"first": expression, "second": "first"}, whole=whole)
    other.frame()
    assert other["second"].cause == outcome.cause  # of a watch that uses another


def test_a_stored_number_that_is_not_finite_stays_visible(guest: Guest, whole: bool) -> None:
    run = guest.run({"nan": "broken", "inf": "endless", "used": "inf + 1"}, whole=whole)
    run.frame()
    nan, inf = run["nan"], run["inf"]
    assert (nan.status, nan.reason) == (Status.ERROR, "broken is not a number")
    assert isinstance(nan.value, float)
    assert math.isnan(nan.value)
    assert (inf.value, inf.address) == (-math.inf, 0x8000_0120)
    assert (run["used"].status, run["used"].reason) == (Status.ERROR, "endless is infinite")


def test_a_watch_that_uses_another_has_its_reason(guest: Guest, whole: bool) -> None:
    watches = {"c": "b * 2", "a": "nothing.word", "b": "a + 1", "d": "1 if 1 else a"}
    run = guest.run(watches, whole=whole)
    run.frame()
    for name in "abc":
        assert (run[name].status, run[name].reason) == (Status.NULL, "nothing is null")
    assert run["d"].value == 1


def test_a_region_alone_is_named_in_the_reason(whole: bool) -> None:
    text = SCHEMA.replace('    { name = "pad", start = 0x9000_0000, size = 0x1000 },\n', "")
    guest = Guest(text)
    guest.poke(0x8000_0100, "I", 0x24)
    assert guest.outcome("head.word", whole=whole).reason == "head.word: 0x0000004C is outside ram"


@pytest.mark.parametrize(
    ("expression", "value", "address"),
    [
        ("low(courier.word)", 0xBEEF, COURIER + 0x28),
        ("high(courier.word)", 0xDEAD, COURIER + 0x2A),
        ("byte(courier.word, 0)", 0xEF, COURIER + 0x28),
        ("byte(courier.word, 3)", 0xDE, COURIER + 0x2B),
        ("high(courier.big)", 0x01234567, COURIER + 0x34),
        ("bits(courier.word)", 0xDEADBEEF, COURIER + 0x28),
    ],
)
def test_halves_go_by_significance_in_a_little_endian_guest(
    whole: bool, expression: str, value: int, address: int
) -> None:
    guest = Guest(SCHEMA.replace('endian = "big"', 'endian = "little"'))
    guest.poke(COURIER + 0x28, "I", 0xDEADBEEF)
    guest.poke(COURIER + 0x30, "Q", 0x0123456789ABCDEF)
    outcome = guest.outcome(expression, whole=whole)
    assert (outcome.value, outcome.address) == (value, address)


def test_a_guest_that_loads_from_any_address_has_no_misaligned_pointers(whole: bool) -> None:
    guest = Guest(SCHEMA.replace('endian = "big"', 'endian = "big"\nunaligned_loads = true'))
    guest.poke(0x8000_0100, "I", COURIER + 1)
    guest.poke(COURIER + 0x29, "I", 5)
    assert guest.outcome("head.word", whole=whole).value == 5


def test_a_chain_ends_after_4096(whole: bool) -> None:
    guest = Guest()
    base = 0x8000_1000
    for number in range(5000):
        guest.poke(base + 8 * number + 0x24, "I", base + 8 * number + 8)
    guest.poke(0x8000_0100, "I", base)
    assert guest.outcome('len(chain(head, "next"))', whole=whole).value == 4096


def test_a_misaligned_pointer_is_told_by_the_value_not_by_its_half(whole: bool) -> None:
    guest = Guest()
    guest.poke(0x8000_0100, "I", COURIER + 2)
    for text in ("head.word", "low(head.word)", "byte(head.word, 0)"):
        outcome = guest.outcome(text, whole=whole)
        assert outcome.reason == "head.word: 0x8000102A is not a multiple of 4"


def test_a_walk_of_chains_in_a_chain_is_bounded() -> None:
    guest = Guest()
    base = 0x8000_1000
    for number in range(4096):
        guest.poke(base + 8 * number + 0x24, "I", base + 8 * number + 8 if number < 4095 else 0)
    guest.poke(0x8000_0100, "I", base)
    text = 'sum([len(chain(a, "next")) for a in chain(head, "next")])'
    outcome = guest.outcome(text, whole=True)
    assert outcome.status is Status.ERROR
    assert outcome.reason.endswith("its lists take more than 200000 steps")


def test_a_list_in_lists_is_bounded() -> None:
    guest = Guest()
    for number in range(1000):
        address = 0x8000_1000 + 8 * number
        guest.poke(address + 0x24, "I", address + 8 if number < 999 else 0)
    guest.poke(0x8000_0100, "I", 0x8000_1000)
    text = (
        'sum([sum([1 for b in chain(head, "next")]) '
        'for a in chain(head, "next")])'
    )  # fmt: skip
    outcome = guest.outcome(text, whole=True)
    assert outcome.status is Status.ERROR
    assert outcome.reason.endswith(": its lists take more than 200000 steps")


def test_three_pointers_take_three_batches_after_the_symbol(guest: Guest) -> None:
    run = guest.run({"far": "courier.holder[0].next.word"}, whole=False)
    run.frame()
    assert run["far"].value == 9
    assert run.batches == 3  # courier's own line, which holds holder and held; lantern; crate


def test_watches_that_need_nothing_of_each_other_share_their_batches(guest: Guest) -> None:
    watches = {f"w{n}": "courier.held.word + padded.word" for n in range(20)}
    run = guest.run(watches, whole=False)
    run.frame()
    assert {run[name].value for name in watches} == {84}
    # the symbols' line and courier's; lantern; then padded, which each looks at last
    assert run.batches == 4


def test_lines_that_the_source_does_not_hold_are_unmapped(guest: Guest) -> None:
    line = (LANTERN - 0x8000_0000) >> 8
    run = guest.run({"w": "courier.held.word", "v": "w + 1"}, whole=False, absent=frozenset({line}))
    run.frame()
    reason = "courier.held.word: 0x80002028 is not in what the source holds"
    assert (run["w"].status, run["w"].reason) == (Status.UNMAPPED, reason)
    assert (run["v"].status, run["v"].reason) == (Status.UNMAPPED, reason)


def test_a_value_over_the_end_of_a_line_waits_for_both_lines() -> None:
    guest = Guest()
    guest.poke(0x8000_20FC, "8s", b"gullgull")
    run = guest.run({"name": 'at(0x800020FC + step, "char[8]")'}, whole=False)
    run.frame()
    assert run["name"].value == "gullgull"
    assert run.batches == 2


def test_an_aligned_double_over_the_end_of_a_line_waits_for_both_lines() -> None:
    """A region may begin at a multiple of 4, and its lines count from its beginning."""
    guest = Guest(SCHEMA.replace("start = 0x9000_0000", "start = 0x9000_0004"))
    address = 0x9000_0004 + 0xFC  # a multiple of 8
    guest.poke(0x8000_0100, "I", address - 0x40)
    guest.poke(address, "d", 0.1)
    assert guest.outcome("head.real", whole=True).value == 0.1
    program = guest.program({"real": "head.real"})
    evaluator = Evaluator(program, guest.layout, guest.memory, whole=False)
    image = Image(guest.memory)
    for line in (0x1, 0x100):
        (span,) = guest.memory.spans([line])
        image.put(span, guest.part(span))
    assert evaluator.evaluate(image, 1) == {0x101}


def test_the_least_of_mixed_numbers_is_a_float_to_what_follows(guest: Guest, whole: bool) -> None:
    outcome = guest.outcome("min(4, 8.0) ** -1", whole=whole)
    assert (outcome.status, outcome.value) == (Status.OK, 0.25)


@pytest.mark.parametrize("count", [60, 120, 900])
def test_a_long_chain_of_comparisons_has_a_value_or_is_refused(
    guest: Guest, whole: bool, count: int
) -> None:
    text = "<=".join(["1"] * count)
    try:
        outcome = guest.outcome(text, whole=whole)
    except ExpressionError:
        assert count > 60
    else:
        assert outcome.value is True


def test_ninety_nine_watches_may_use_each_other_in_a_row(guest: Guest, whole: bool) -> None:
    watches = {f"w{n}": f"abs(w{n + 1} + 1)" for n in range(98)} | {"w98": "courier.mode"}
    run = guest.run(watches, whole=whole)
    run.frame()
    assert run["w0"].value == 100


def test_a_text_may_hold_a_number_sign(guest: Guest, whole: bool) -> None:
    assert guest.outcome('courier.name == "#2"', whole=whole).value is False


def test_names_of_flags_behind_a_pointer(guest: Guest) -> None:
    assert guest.type_of("courier.held.flags.visible").kind is Kind.BOOLEAN


def called(expressions: list[str]) -> set[str]:
    return {name for text in expressions for name in re.findall(r"([a-z_0-9]+)\(", text)}


def test_every_function_has_a_value_tested_here() -> None:
    texts = [row[0] for table in (READS, COMPUTED, ABSENT) for row in table]
    texts += [expression for expression, _ in OF_HEAPS]
    # these need a file: see test_layout_function and planning/test_plan_in_frames
    assert set(functions.FUNCTIONS) - {"layout", "plan"} <= called(texts)


def test_every_function_is_in_the_manual() -> None:
    text = manual.page("reference/functions.md")
    names = [n for n in functions.FUNCTIONS if not re.search(rf"[`\s]{n}[(\s`]", text)]
    assert names == []


def test_every_form_shows_its_own_call() -> None:
    for name, function in functions.FUNCTIONS.items():
        assert function.form.startswith(f"{name}(")
        assert function.gives
