"""Objects in the heap's blocks: what tells one from the next, and which is older."""

from __future__ import annotations

import pytest

from bridge.heap.blocks import Age, Heap
from bridge.heap.events import Happened, events_between
from bridge.values.status import Status
from schemas.errors import SchemaError
from tests.bridge.made_guest import Run
from tests.bridge.made_heap import ARENA, HEAD, HELD, HeapGuest, Made, gulls

GENERATION = 'generation = "block.reuses"\n'
IDENTITY = (GENERATION, GENERATION + 'identity = "owner.word"\n')


LIST = "newest_first = \"chain(held, 'next')\"\n"


def guest_with(lines: str) -> HeapGuest:
    return HeapGuest(change=(GENERATION, GENERATION + lines))


def write_words(guest: HeapGuest, *words: int) -> None:
    for index, word in enumerate(words):
        guest.poke(guest.start(index) + 4, "I", word)


def heap_of(guest: HeapGuest, *, whole: bool = True, absent: frozenset[int] = frozenset()) -> Heap:
    run = guest.run({"count": "len(blocks())"}, whole=whole, absent=absent)
    run.frame()
    return run.evaluator.heap()


@pytest.fixture(params=[True, False], ids=["whole", "sparse"])
def whole(request: pytest.FixtureRequest) -> bool:
    found: bool = request.param
    return found


# identity


def test_the_identity_is_that_of_the_object_in_a_used_block(whole: bool) -> None:
    guest = guest_with('identity = "owner.word"\n')
    guest.heap([Made(0x40), Made(0x40, used=False), Made(0x10), Made(0x40)])
    write_words(guest, 0x77, 0x88, 0x99, 0xAA)
    blocks = heap_of(guest, whole=whole).blocks
    # a free block has none, and a payload that is smaller than the struct has none either
    assert [block.identity for block in blocks] == [0x77, None, None, 0xAA]


def test_released_and_handed_out_again_in_one_frame(whole: bool) -> None:
    guest = guest_with('identity = "owner.word"\n')
    guest.heap(gulls(3, 0x40))
    write_words(guest, 1, 2, 3)
    guest.aim(guest.start(1))
    run: Run = guest.run({"watch": "held.kind"}, whole=whole)
    run.frame(1)
    assert run["watch"].status is Status.OK
    write_words(guest, 1, 9, 3)  # the same place, kind, size and generation
    run.frame(2)
    assert (run["watch"].status, run["watch"].reason) == (
        Status.CHANGED,
        "held was aimed at gull (block 1) and the block now holds another gull",
    )


def test_without_an_identity_it_is_not_seen() -> None:
    guest = HeapGuest()
    guest.heap(gulls(3, 0x40))
    guest.aim(guest.start(1))
    run = guest.run({"watch": "held.kind"}, whole=True)
    run.frame(1)
    write_words(guest, 1, 9, 3)
    run.frame(2)
    assert run["watch"].status is Status.OK


def test_the_events_tell_that_it_was_reused() -> None:
    guest = guest_with('identity = "owner.word"\n')
    guest.heap(gulls(3, 0x40))
    write_words(guest, 1, 2, 3)
    before = heap_of(guest)
    write_words(guest, 1, 9, 3)
    (event,) = events_between(8, 7, before, heap_of(guest))
    assert event.happened is Happened.REUSED
    assert event.was is not None
    assert (event.block.index, event.was.identity, event.block.identity) == (1, 2, 9)


# ages


def test_ages_by_an_expression(whole: bool) -> None:
    guest = guest_with('age = "word - owner.word"\n')
    guest.heap([Made(0x40), Made(0x40, used=False), Made(0x40)])
    write_words(guest, 30, 31, 35)
    guest.poke(0x8000_0118, "I", 40)
    heap = heap_of(guest, whole=whole)
    assert heap.ages == {guest.start(0): Age(10), guest.start(2): Age(5)}
    assert heap.ageless == ""


def chained(guest: HeapGuest, order: list[int], head: int) -> None:
    """The game's own list through blocks by their indexes, of which *head* is its pointer."""
    for here, after in zip(order, [*order[1:], None], strict=True):
        guest.poke(guest.start(here) + 0x10, "I", 0 if after is None else guest.start(after))
    guest.poke(head, "I", guest.start(order[0]))


def test_ages_by_the_games_own_list(whole: bool) -> None:
    guest = guest_with(LIST)
    guest.heap(gulls(5, 0x40))
    chained(guest, [3, 0, 4], HELD)
    heap = heap_of(guest, whole=whole)
    assert heap.ages == {
        guest.start(3): Age(0),
        guest.start(0): Age(1),
        guest.start(4): Age(2),
    }


def test_several_lists_are_apart_and_the_first_that_has_a_block_counts() -> None:
    further = "[address(a) + 4 for a in chain(held, 'next')]"
    guest = guest_with(f'newest_first = ["chain(held, \'next\')", "{further}"]\n')
    guest.heap(gulls(3, 0x40))
    chained(guest, [2, 0], HELD)
    assert heap_of(guest).ages == {guest.start(2): Age(0, 0), guest.start(0): Age(1, 0)}


def test_what_is_in_no_block_has_no_age_and_a_free_one_has_one() -> None:
    guest = guest_with(LIST)
    guest.heap([Made(0x40), Made(0x40, used=False), Made(0x40)])
    elsewhere = 0x8000_0200
    guest.poke(HELD, "I", elsewhere)
    guest.poke(elsewhere + 0x10, "I", guest.start(1))
    guest.poke(guest.start(1) + 0x10, "I", guest.start(2))
    # each has the place that it has in the game's list
    assert heap_of(guest).ages == {guest.start(1): Age(1), guest.start(2): Age(2)}


def test_a_list_that_cannot_be_followed_tells_no_ages_and_is_no_damage() -> None:
    guest = guest_with(LIST)
    guest.heap(gulls(2, 0x40))
    guest.poke(HELD, "I", 0x1234_5678)
    heap = heap_of(guest)
    assert heap.damaged is None
    assert heap.ages == {}
    assert heap.ageless == (
        "newest_first of [heap]: chain(held, 'next') element: 0x12345688 is outside every region"
    )


# order


def linked(guest: HeapGuest, order: list[int]) -> None:
    guest.poke(HEAD, "I", guest.headers[order[0]])
    for here, after in zip(order, [*order[1:], None], strict=True):
        guest.poke(guest.headers[here] + 8, "I", 0 if after is None else guest.headers[after])


@pytest.mark.parametrize("order", ["list", "address"])
def test_blocks_are_told_in_the_order_that_is_wanted(order: str, whole: bool) -> None:
    guest = guest_with(f'order = "{order}"\nage = "owner.word"\n')
    guest.heap(gulls(4, 0x40))
    write_words(guest, 10, 11, 12, 13)
    linked(guest, [2, 0, 3, 1])
    heap = heap_of(guest, whole=whole)
    expected = [0, 1, 2, 3] if order == "address" else [2, 0, 3, 1]
    assert [block.start for block in heap.blocks] == [guest.start(n) for n in expected]
    assert [block.index for block in heap.blocks] == [0, 1, 2, 3]
    assert heap.ages == {guest.start(n): Age(10 + n) for n in range(4)}
    found = heap.holding(guest.start(3) + 4)
    assert found is not None
    assert found.index == expected.index(3)


def test_damage_in_a_list_by_address_names_the_block_as_it_is_told() -> None:
    guest = guest_with('order = "address"\n')
    guest.heap(gulls(4, 0x40))
    linked(guest, [2, 0, 3, 1])
    guest.poke(guest.headers[3], "H", 0)
    heap = heap_of(guest)
    assert [block.start for block in heap.blocks] == [guest.start(0), guest.start(2)]
    assert heap.damaged is not None
    assert heap.damaged.startswith(f"after block 0 at 0x{ARENA + 0x10:08X} (gull), the block with")


# what is refused


@pytest.mark.parametrize(
    ("lines", "words"),
    [
        ('identity = "owner.fuel"', "heap.identity: Actor has no field fuel"),
        ('identity = "1.5"', "heap.identity: is a float, expected a whole number"),
        ('age = "blocks()"', "heap.age: asks for the heap, which is what is being described"),
        ('age = "change(block.used)"', "heap.age: change"),
        ('newest_first = "held"', "heap.newest_first: expected a list, as from chain(…)"),
        ('newest_first = ["block"]', "heap.newest_first.0: block is a function"),
        ('age = "block.size"\nnewest_first = "held"', "expected either age or newest_first"),
        ('order = "size"', "heap.order"),
    ],
)
def test_what_is_wrong_with_it(lines: str, words: str) -> None:
    with pytest.raises(SchemaError) as refused:
        guest_with(lines + "\n").run({"count": "len(blocks())"}, whole=True)
    assert words in str(refused.value)


def test_owner_is_only_there_where_the_schema_says_what_it_is() -> None:
    with pytest.raises(
        SchemaError,
        match=r"heap\.identity: owner is the struct of \[heap\.owner\], which names none",
    ):
        HeapGuest(owner="", change=IDENTITY).run({"count": "len(blocks())"}, whole=True)
