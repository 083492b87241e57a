"""``block``, ``blocks`` and ``owner`` in expressions: values, types and refusals."""

from __future__ import annotations

import pytest

from bridge.expressions.compiling import check
from bridge.values import target
from bridge.values.status import Status
from bridge.values.value_type import Kind
from schemas.errors import ExpressionError
from tests.bridge.made_guest import Guest
from tests.bridge.made_heap import ARENA, HELD, POINTER, HeapGuest, Made

WORD = 0x8000_0118


def made_guest() -> HeapGuest:
    """lantern, free, gull, crate; ``held`` leads to the gull, ``pointer`` into the lantern."""
    guest = HeapGuest()
    guest.heap([Made(0x60, kind=2), Made(0x30, used=False), Made(0x50), Made(0x40, kind=3)])
    guest.aim(guest.start(2))
    guest.aim(guest.start(0) + 0x18, POINTER)
    guest.poke(WORD, "I", guest.start(3) + 0x3F)
    return guest


GUEST = made_guest()

VALUES = [
    ("block(held).start", GUEST.start(2)),
    ("block(held).size", 0x50),
    ("block(held).used", True),
    ("block(held).index", 2),
    ("block(held).owner", "gull"),
    ("block(held).offset", 0),
    ("block(pointer).offset", 0x18),
    # a place that is no address is asked about itself; a u32 that may be one is read
    ("block(held.trail).offset", 0x18),
    ("block(held.kind).offset", 0),
    ("block(word).index", 3),
    ("block(word).offset", 0x3F),
    ("block(held + 4).offset", 4),
    ("block(held + 0x2000_0000).offset", 0),
    ("block(held + 0x2000_0000).index", 2),
    ("block(heap_head).index", 0),
    ("block(heap_head).offset", -0x10),
    ("owner(held)", "gull"),
    ("owner(pointer)", "lantern"),
    ("owner(block(held).start - 0x40)", "free"),
    ('owner(held) == "gull"', True),
    ('owner(held) != "gull"', False),
    ('"crate" == owner(word)', True),
    ('1 if owner(held) == "lantern" else 0', 0),
    ("len(blocks())", 4),
    ("len([b for b in blocks() if b.used])", 3),
    ("sum([b.size for b in blocks() if not b.used])", 0x30),
    ("max([b.size for b in blocks()])", 0x60),
    ('first([b for b in blocks() if b.owner == "crate"]).start', GUEST.start(3)),
    ('first([b.index for b in blocks() if b.owner == "crate"])', 3),
    ("first(blocks()).size", 0x60),
    ("first([b.owner for b in blocks() if b.index == 2])", "gull"),
    ('first([at(b.start, "Actor") for b in blocks() if b.index == 2]).kind', 4),
    ("sum([1 for b in blocks() if b.start == held])", 1),
    ("sum([b.size for b in [c for c in blocks() if c.used]])", 0x60 + 0x50 + 0x40),
    ("block(first([b.start for b in blocks() if not b.used])).index", 1),
]


@pytest.mark.parametrize("whole", [True, False], ids=["whole", "sparse"])
@pytest.mark.parametrize(("expression", "value"), VALUES)
def test_values(expression: str, value: object, whole: bool) -> None:
    outcome = GUEST.outcome(expression, whole=whole)
    assert (outcome.status, outcome.reason) == (Status.OK, "")
    assert outcome.value == value
    assert type(outcome.value) is type(value)


ABSENT = [
    (
        "block(word).index",
        0x7000_0000,
        Status.UNMAPPED,
        "word: 0x70000000 is in no block of the heap",
    ),
    ("owner(word)", 0, Status.NULL, "word is null"),
    (
        "owner(word)",
        ARENA - 1,
        Status.UNMAPPED,
        "word: 0x8000FFFF is in no block of the heap",
    ),
    (
        "first([b for b in blocks() if b.size > word]).start",
        0x1000,
        Status.NULL,
        "first: [b for b in blocks() if b.size > word] is empty",
    ),
]


@pytest.mark.parametrize(("expression", "word", "status", "reason"), ABSENT)
def test_what_is_in_no_block(expression: str, word: int, status: Status, reason: str) -> None:
    guest = made_guest()
    guest.poke(WORD, "I", word)
    outcome = guest.outcome(expression, whole=True)
    assert (outcome.status, outcome.value, outcome.reason) == (status, None, reason)


def test_a_null_pointer_is_in_no_block() -> None:
    guest = made_guest()
    guest.aim(0)
    for expression in ("owner(held)", "block(held).size", "block(held.trail).index"):
        outcome = guest.outcome(expression, whole=True)
        assert (outcome.status, outcome.reason) == (Status.NULL, "held is null")


def test_an_empty_heap_has_no_block_that_holds_anything() -> None:
    guest = made_guest()
    guest.heap([])
    outcome = guest.outcome("owner(held)", whole=True)
    assert outcome.status is Status.UNMAPPED
    assert outcome.reason == (
        "held: 0x800100C0 is in no block of the heap, which has none: heap_head is null"
    )
    assert guest.outcome("len(blocks())", whole=True).value == 0


def test_a_damaged_heap_gives_what_came_before_with_a_warning() -> None:
    guest = made_guest()
    guest.poke(guest.headers[2], "H", 0)
    damage = (
        "after block 1 at 0x80010080 (free), the block with its header at 0x800100B0: "
        "block.magic == 0x7B10 is false"
    )
    outcome = guest.outcome("len(blocks())", whole=True)
    assert (outcome.status, outcome.value) == (Status.DAMAGED, 2)
    assert outcome.reason == f"the heap is damaged: {damage}"
    assert guest.outcome("owner(pointer)", whole=True).status is Status.OK
    outcome = guest.outcome("owner(held)", whole=True)
    assert outcome.status is Status.UNMAPPED
    assert outcome.reason == (
        f"held: 0x800100C0 is in no block of the heap, which is damaged: {damage}"
    )


def test_types() -> None:
    assert GUEST.type_of("owner(held)").kind is Kind.TEXT
    assert GUEST.type_of("block(held).start").address
    assert GUEST.type_of("block(held).used").kind is Kind.BOOLEAN
    assert GUEST.type_of("block(held).offset").kind is Kind.INTEGER


def test_the_owner_over_frames() -> None:
    guest = made_guest()
    run = guest.run({"was": "previous(owner(held))"}, whole=False)
    run.frame(1)
    guest.aim(guest.start(0))
    run.frame(2)
    assert (run["was"].status, run["was"].value) == (Status.OK, "gull")
    run.frame(3)
    assert run["was"].value == "lantern"


def test_a_target_of_an_owner_is_one_that_it_can_be() -> None:
    kind = GUEST.type_of("owner(held)")
    assert target.equals("gull", kind).hit("gull")
    with pytest.raises(ValueError, match='it can never be "gul"; did you mean gull'):
        target.equals("gul", kind)


REFUSED = [
    ("block(held)", "is a whole block; name a field: start, size, used, index, owner, offset"),
    ("blocks()", "is a list; use len, sum, min, max or first"),
    ("block(held).sise", "a block has no field sise; did you mean size?"),
    ("block()", "block(p) takes 1 to 2 arguments, found 0"),
    ("blocks(held)", "expected a heap's name in quotation marks"),
    ("owner(1.5)", "is a float, expected a whole number"),
    ("block(block(held)).size", "is a whole block; name a field: start, size, used, index, owner"),
    (
        "[b.offset for b in blocks()]",
        "offset is how far an address lies in its block: block(p).offset",
    ),
    ("sum(blocks())", "is a list of blocks; name a field of each"),
    ("owner(held) + 1", "is a text, expected a number"),
    ("owner(held) == 2", "a text cannot be compared with int"),
    ('owner(held) == "lanten"', 'it can never be "lanten"; did you mean lantern?'),
    ('"Gull" != owner(held)', 'it can never be "Gull"; did you mean gull?'),
    ("block", "block is a function: write block(p)"),
]


@pytest.mark.parametrize(("expression", "words"), REFUSED)
def test_refusals(expression: str, words: str) -> None:
    with pytest.raises(ExpressionError) as caught:
        check(GUEST.layout, {"watch": expression})
    assert words in caught.value.detail


def test_an_owner_without_a_name_is_compared_as_a_number() -> None:
    guest = made_guest()
    guest.poke(guest.start(2), "H", 77)
    assert guest.outcome('owner(held) == "77"', whole=True).value is True


@pytest.mark.parametrize("expression", ["len(blocks())", "owner(head)", "block(head).size"])
def test_a_schema_without_a_heap_has_no_blocks(expression: str) -> None:
    with pytest.raises(ExpressionError, match=r"describes no heap; add \[heap\] to it"):
        check(Guest().layout, {"watch": expression})


def test_held_is_where_the_tests_take_it_to_be() -> None:
    address = GUEST.layout.symbols["held"].address
    assert address == HELD
