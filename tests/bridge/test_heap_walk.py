"""The walk along the heap's list: whole and damaged lists, on whole and on sparse images."""

from __future__ import annotations

import gc
import time
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bridge.evaluation import heap_walk
from bridge.evaluation import heap_walk_code as heap_generator
from bridge.heap.blocks import Block, Heap, Row
from bridge.heap.overlap import first_overlap
from bridge.memory.image import Image
from bridge.prepared import PreparedBuild, with_heap
from bridge.values.status import Status
from schemas.errors import SchemaError
from tests.bridge.made_guest import Guest, Run
from tests.bridge.made_heap import (
    ARENA,
    BY_SIZE,
    HEAD,
    KINDS,
    HeapGuest,
    Made,
    changed,
    gulls,
    plain_walk,
)


def walked(guest: HeapGuest, *, whole: bool = True, absent: frozenset[int] = frozenset()) -> Heap:
    return _run(guest, whole=whole, absent=absent).evaluator.heap()


def _run(guest: HeapGuest, *, whole: bool, absent: frozenset[int] = frozenset()) -> Run:
    run = guest.run({"count": "len(blocks())"}, whole=whole, absent=absent)
    run.frame()
    return run


@pytest.fixture(params=[True, False], ids=["whole", "sparse"])
def whole(request: pytest.FixtureRequest) -> bool:
    found: bool = request.param
    return found


def test_each_block_is_told(whole: bool) -> None:
    guest = HeapGuest()
    guest.heap([Made(0x40, kind=2, reuses=3), Made(0x30, used=False), Made(0x50, kind=4)])
    heap = walked(guest, whole=whole)
    assert heap.damaged is None
    assert list(heap.blocks) == [
        Block(ARENA + 0x10, 0x40, True, 0, "lantern", ARENA, 3),
        Block(ARENA + 0x60, 0x30, False, 1, "free", ARENA + 0x50, 1),
        Block(ARENA + 0xA0, 0x50, True, 2, "gull", ARENA + 0x90, 1),
    ]
    assert [b.index for b in heap.blocks[1:]] == [1, 2]
    assert heap.blocks[-1] == heap.blocks[2]


@pytest.mark.parametrize("endian", ["big", "little"])
@pytest.mark.parametrize("pointer", [4, 8])
def test_it_agrees_with_a_plain_walk(endian: str, pointer: int, whole: bool) -> None:
    guest = HeapGuest(endian=endian, pointer=pointer)
    guest.heap([Made(0x20 + 0x10 * (n % 9), n % 3 != 0, 1 + n % 6) for n in range(300)])
    order = ">" if endian == "big" else "<"
    by_hand = plain_walk(guest.bytes, order, pointer, ARENA, 0x8000_0000)
    names = {number: name for name, number in KINDS.items()}
    heap = walked(guest, whole=whole)
    assert len(by_hand) == 300
    assert [(b.start, b.size, b.used, b.owner) for b in heap.blocks] == [
        (start, size, used, names[kind] if used else "free") for start, size, used, kind in by_hand
    ]


def test_a_kind_without_a_name_is_its_number_and_a_payload_too_small_for_one_is_unknown() -> None:
    guest = HeapGuest()
    guest.heap([Made(0x10, kind=99), Made(0, kind=2)])
    assert [b.owner for b in walked(guest).blocks] == ["99", "unknown"]


def test_sizes_tell_the_owner_where_nothing_else_does(whole: bool) -> None:
    # 0x31 bytes are handed out as 0x40, since sizes are multiples of 16
    guest = HeapGuest(owner=BY_SIZE)
    guest.heap([Made(0x40), Made(0x60), Made(0x50), Made(0x60, used=False)])
    owners = [b.owner for b in walked(guest, whole=whole).blocks]
    assert owners == ["gull", "lantern", "unknown", "free"]


def test_without_owners_used_blocks_are_unknown() -> None:
    guest = HeapGuest(owner="")
    guest.heap([Made(0x40), Made(0x60, used=False)])
    assert [b.owner for b in walked(guest).blocks] == ["unknown", "free"]


def test_an_empty_heap_says_so(whole: bool) -> None:
    guest = HeapGuest()
    guest.heap([])
    heap = walked(guest, whole=whole)
    assert (len(heap.blocks), heap.damaged, heap.empty) == (0, None, "heap_head is null")


def test_a_head_that_is_reached_through_a_null_pointer_is_an_empty_heap() -> None:
    guest = HeapGuest(change=('first      = "heap_head"', 'first = "heap_head.next"'))
    guest.heap([])
    heap = walked(guest)
    assert (len(heap.blocks), heap.damaged, heap.empty) == (0, None, "heap_head is null")


def test_the_first_block_may_be_a_symbol_itself() -> None:
    guest = HeapGuest(change=('heap_head = "BlockHeader*"', 'heap_head = "BlockHeader"'))
    guest.poke(HEAD, "HBBI I", 0x7B10, 1, 1, 0x20, 0)
    assert [(b.header, b.start) for b in walked(guest).blocks] == [(HEAD, HEAD + 0x10)]


def test_a_list_need_not_be_in_the_order_of_addresses() -> None:
    guest = HeapGuest()
    guest.heap(gulls(4))
    first, second, third, fourth = guest.headers
    guest.poke(HEAD, "I", third)
    for at, to in ((third, first), (first, fourth), (fourth, second), (second, 0)):
        guest.poke(at + 8, "I", to)
    heap = walked(guest)
    assert [b.header for b in heap.blocks] == [third, first, fourth, second]
    found = heap.holding(second + 0x10)
    assert found is not None
    assert found.index == 3


def test_a_list_in_a_mirror_is_told_by_canonical_addresses(whole: bool) -> None:
    guest = HeapGuest()
    guest.heap(gulls(3))
    guest.poke(HEAD, "I", ARENA + 0x2000_0000)
    guest.poke(ARENA + 8, "I", guest.headers[1] + 0x2000_0000)
    heap = walked(guest, whole=whole)
    assert heap.damaged is None
    assert [b.header for b in heap.blocks] == guest.headers
    assert [b.start for b in heap.blocks] == [guest.start(n) for n in range(3)]


# damaged lists


def _broken(index: int, **fields: int | bool) -> HeapGuest:
    guest = HeapGuest()
    guest.heap(changed(gulls(6), index, **fields))
    return guest


AFTER = "after block 3 at 0x800100D0 (gull), the block with its header at 0x80010100: "


@pytest.mark.parametrize(
    ("fields", "words"),
    [
        ({"magic": 0x7B11}, "block.magic == 0x7B10 is false"),
        ({"size": 0x10_0000}, "its 0x100000 bytes from 0x80010110 leave ram"),
        ({"size": 0xFFFF_FFF0}, "its 0xFFFFFFF0 bytes from 0x80010110 leave ram"),
        ({"size": 0x38}, "its size 0x38 is not a multiple of 16"),
    ],
    ids=["magic", "size", "a huge size", "crooked size"],
)
def test_a_block_that_cannot_be_right_ends_the_walk(
    fields: dict[str, int], words: str, whole: bool
) -> None:
    guest = _broken(4)
    header = guest.headers[4]
    if "magic" in fields:
        guest.poke(header, "H", fields["magic"])
    else:
        guest.poke(header + 4, "I", fields["size"])
    heap = walked(guest, whole=whole)
    assert heap.damaged == AFTER + words
    assert [b.start for b in heap.blocks] == [guest.start(n) for n in range(4)]


@pytest.mark.parametrize(
    ("following", "words"),
    [
        (ARENA + 0x40, "the block with its header at 0x80010040: is block 1 again, so the list "
         "goes in a circle"),
        (ARENA + 0xC0, "the block with its header at 0x800100C0: is block 3 again, so the list "
         "goes in a circle"),
        (0x7000_0000, "the block with its header at 0x70000000: block: 0x70000000 is outside "
         "every region"),
        (0x800F_FFF8, "the block with its header at 0x800FFFF8: block: 0x800FFFF8 and its size "
         "reach past the end of ram"),
        (ARENA + 0x102, "the block with its header at 0x80010102: block: 0x80010102 is not a "
         "multiple of 4"),
        (ARENA + 0x104, "the block with its header at 0x80010104: block.magic == 0x7B10 is false"),
    ],
    ids=["circle", "itself", "outside", "over the end", "misaligned", "into nothing"],
)  # fmt: skip
def test_a_link_that_leads_astray_ends_the_walk(following: int, words: str, whole: bool) -> None:
    guest = _broken(3, next=following)
    heap = walked(guest, whole=whole)
    assert heap.damaged == f"after block 3 at 0x800100D0 (gull), {words}"
    assert len(heap.blocks) == 4


def test_a_payload_that_is_not_aligned_ends_the_walk() -> None:
    guest = HeapGuest()
    guest.heap(gulls(2))
    guest.poke(ARENA + 8, "I", ARENA + 0x48)
    guest.poke(ARENA + 0x48, "HBBI I", 0x7B10, 1, 1, 0x20, 0)
    assert walked(guest).damaged == (
        "after block 0 at 0x80010010 (gull), the block with its header at 0x80010048: "
        "its payload at 0x80010058 is not a multiple of 16"
    )


def test_the_first_block_may_be_the_damaged_one() -> None:
    heap = walked(_broken(0, magic=0))
    assert len(heap.blocks) == 0
    assert heap.damaged == (
        "the first block, with its header at 0x80010000: block.magic == 0x7B10 is false"
    )


def test_a_head_that_leads_outside_is_damage() -> None:
    guest = HeapGuest()
    guest.heap([])
    guest.poke(HEAD, "I", 0x1000_0000)
    assert walked(guest).damaged == (
        "the first block, with its header at 0x10000000: block: 0x10000000 is outside every region"
    )


def test_an_expression_that_fails_is_damage() -> None:
    guest = HeapGuest(change=('"block.size"', '"block.size // (block.reuses - 1) * 1"'))
    guest.heap([Made(0x20, reuses=2), Made(0x20, reuses=1)])
    damaged = walked(guest).damaged
    assert damaged is not None
    assert damaged.startswith("after block 0 at 0x80010010 (gull), the block with its header at ")
    assert "zero" in damaged


def test_the_walk_is_bounded(monkeypatch: pytest.MonkeyPatch) -> None:
    assert heap_generator.MAX_BLOCKS == 65_536
    monkeypatch.setattr(heap_generator, "MAX_BLOCKS", 8)
    monkeypatch.setattr(heap_walk, "MAX_BLOCKS", 8)
    guest = HeapGuest()
    guest.heap(gulls(9))
    heap = walked(guest)
    assert len(heap.blocks) == 8
    assert heap.damaged == (
        "after block 7 at 0x800101D0 (gull), the block with its header at 0x80010200: "
        "comes after 8 blocks, the most that are walked"
    )


# blocks that overlap


def unaligned(size: str = "block.size", payload: str = "address(block) + 16") -> tuple[str, str]:
    """A change of the schema: without an alignment, and with another size or payload."""

    def table(size: str, payload: str) -> str:
        used = 'used       = "block.used != 0"'
        return f'size       = "{size}"\n{used}\npayload    = "{payload}"\n'

    before = table("block.size", "address(block) + 16")
    return f"{before}alignment  = 16\n", table(size, payload)


def linked(guest: HeapGuest, order: list[int]) -> None:
    """Make the list go through the blocks in this order."""
    guest.poke(HEAD, "I", guest.headers[order[0]])
    for here, there in zip(order, [*order[1:], None], strict=True):
        guest.poke(guest.headers[here] + 8, "I", 0 if there is None else guest.headers[there])


def test_a_size_expression_that_is_too_large_is_damage(whole: bool) -> None:
    guest = HeapGuest(change=unaligned(size="block.size + 8"))
    guest.heap(gulls(3))
    heap = walked(guest, whole=whole)
    assert heap.damaged == (
        "after block 0 at 0x80010010 (gull), the block with its header at 0x80010040: "
        "block 1, 0x38 bytes from 0x80010050, overlaps block 0, 0x38 bytes from 0x80010010: "
        "8 bytes from 0x80010040 would be both's; is size in [heap] too large?"
    )
    assert [b.start for b in heap.blocks] == [guest.start(0)]


def test_one_size_that_reaches_into_the_next_block(whole: bool) -> None:
    guest = HeapGuest()
    guest.heap(gulls(6))
    guest.poke(guest.headers[3] + 4, "I", 0x60)
    heap = walked(guest, whole=whole)
    assert heap.damaged == (
        AFTER + "block 4, 0x30 bytes from 0x80010110, overlaps block 3, 0x60 bytes from "
        "0x800100D0: 48 bytes from 0x80010100 would be both's"
    )
    assert [b.start for b in heap.blocks] == [guest.start(n) for n in range(4)]


def test_a_free_block_over_a_used_one(whole: bool) -> None:
    guest = HeapGuest()
    guest.heap([Made(0x40), Made(0x40), Made(0x40, used=False), Made(0x40)])
    # the free block is said to begin inside the used one before it
    guest.poke(guest.headers[1] + 8, "I", guest.headers[1] + 0x20)
    guest.poke(guest.headers[1] + 0x20, "HBBI I", 0x7B10, 0, 1, 0x70, guest.headers[3])
    heap = walked(guest, whole=whole)
    assert heap.damaged == (
        "after block 1 at 0x80010060 (gull), the block with its header at 0x80010070: "
        "block 2, 0x70 bytes from 0x80010080, overlaps block 1, 0x40 bytes from 0x80010060: "
        "48 bytes from 0x80010070 would be both's"
    )


def test_blocks_that_overlap_in_a_list_that_is_in_no_order(whole: bool) -> None:
    guest = HeapGuest()
    guest.heap(gulls(6))
    linked(guest, [4, 1, 5, 0, 3, 2])
    assert walked(guest, whole=whole).damaged is None
    guest.poke(guest.headers[0] + 4, "I", 0x50)
    heap = walked(guest, whole=whole)
    assert heap.damaged == (
        "after block 2 at 0x80010150 (gull), the block with its header at 0x80010000: "
        "block 3, 0x50 bytes from 0x80010010, overlaps block 1, 0x30 bytes from 0x80010050: "
        "32 bytes from 0x80010040 would be both's"
    )
    assert [b.start for b in heap.blocks] == [guest.start(n) for n in (4, 1, 5)]


def test_an_overlap_comes_before_what_broke_the_list_behind_it(whole: bool) -> None:
    guest = HeapGuest()
    guest.heap(gulls(6))
    guest.poke(guest.headers[1] + 4, "I", 0x60)
    guest.poke(guest.headers[4], "H", 0)
    damaged = walked(guest, whole=whole).damaged
    assert damaged is not None
    assert damaged.startswith("after block 1 at 0x80010050 (gull), ")
    assert "block 2, 0x30 bytes from 0x80010090, overlaps block 1, " in damaged


def test_a_header_behind_its_payload_and_one_inside_it_are_no_overlap() -> None:
    behind = HeapGuest(change=('"address(block) + 16"', '"address(block) - block.size"'))
    # the payloads lie before their headers: the first one's before the arena
    behind.heap([Made(0x30), Made(0x30), Made(0x30)])
    heap = walked(behind)
    assert (heap.damaged, len(heap.blocks)) == (None, 3)
    inside = HeapGuest(change=('"address(block) + 16"', '"address(block)"'))
    inside.heap([Made(0x20), Made(0x20)])
    heap = walked(inside)
    assert (heap.damaged, [b.start for b in heap.blocks]) == (None, inside.headers)


def test_a_header_whose_end_only_free_blocks_use_is_no_overlap() -> None:
    guest = HeapGuest(change=unaligned(payload="address(block) + 12"))
    guest.heap([Made(0), Made(4), Made(0x30)])
    # each header has 16 bytes, of which the payload has the last four
    heap = walked(guest)
    assert heap.damaged is None
    assert [b.size for b in heap.blocks] == [0, 4, 0x30]


ROWS = st.lists(
    st.tuples(st.integers(0, 60), st.integers(-6, 6), st.integers(0, 9)), max_size=9, unique=True
)


@settings(max_examples=400, deadline=None)
@given(found=ROWS, header_size=st.integers(1, 4))
def test_overlaps_against_a_set_of_bytes(
    found: list[tuple[int, int, int]], header_size: int
) -> None:
    rows: list[Row] = [(h, h + away, size, True, None, None, None, None) for h, away, size in found]
    taken: dict[int, int] = {}
    expected = None
    for index, (header, start, size, *_) in enumerate(rows):
        end = min(header + header_size, start) if header <= start else header + header_size
        own = {*range(header, end), *range(start, start + size)}
        if shared := own & taken.keys():
            expected = index, {taken[byte] for byte in shared}, shared
            break
        taken |= dict.fromkeys(own, index)
    overlap = first_overlap(rows, header_size)
    if expected is None:
        assert overlap is None
    else:
        assert overlap is not None
        assert overlap.later == expected[0]
        assert overlap.earlier in expected[1]
        assert {*range(overlap.start, overlap.start + overlap.size)} <= expected[2]
        assert overlap.size > 0


# what holds an address


def test_the_block_that_holds_an_address() -> None:
    guest = HeapGuest()
    guest.heap([Made(0x20), Made(0, kind=0), Made(0x10)])
    heap = walked(guest)
    first, _, third = heap.blocks

    def index(block: Block | None) -> int | None:
        return None if block is None else block.index

    places = [first.start - 1, first.start, first.end - 1, first.end, third.start, third.end]
    assert [index(heap.holding(place)) for place in places] == [None, 0, 0, None, 2, None]
    heads = [ARENA - 1, ARENA, ARENA + 0xF, ARENA + 0x10, first.end, third.end]
    assert [index(heap.header_holding(place)) for place in heads] == [None, 0, 0, None, 1, None]


# sparse images


def test_a_walk_that_lacked_lines_goes_on_where_it_was() -> None:
    guest = HeapGuest()
    guest.heap(gulls(2000, 0x170))
    run = _run(guest, whole=False)
    heap = run.evaluator.heap()
    assert len(heap.blocks) == 2000
    # a block has a line and a half; reading ahead, a walk asks for ever more of them
    assert run.batches < 40
    steps = run.evaluator
    assert steps.heap_seen is heap


def test_blocks_far_apart_are_not_read_ahead_of() -> None:
    guest = HeapGuest()
    guest.heap(gulls(40, 0x4000))
    run = guest.run({"count": "len(blocks())"}, whole=False)
    image = Image(guest.memory)
    asked: set[int] = set()
    missing = run.evaluator.evaluate(image, 1)
    while missing:
        asked |= missing
        for span in guest.memory.spans(missing):
            image.put(span, guest.part(span))
        missing = run.evaluator.evaluate(image, 1, again=True)
    assert run.evaluator.values == [40]
    touched = set(image.touched_lines())
    assert touched <= asked
    # two of the headers lie across a line's end, which looks like going on steadily
    assert len(asked - touched) == 2


def test_lines_that_the_source_does_not_hold_are_no_damage_of_the_guest() -> None:
    guest = HeapGuest()
    guest.heap(gulls(20))
    absent = frozenset(range((ARENA + 0x200 - 0x8000_0000) >> 8, 0x1000))
    run = _run(guest, whole=False, absent=absent)
    outcome = run["count"]
    assert outcome.status is Status.UNMAPPED
    assert outcome.reason == "block: 0x80010200 is not in what the source holds"
    heap = run.evaluator.heap()
    assert len(heap.blocks) == 8
    assert heap.damaged is not None
    assert heap.damaged.endswith("0x80010200 is not in what the source holds")
    assert not heap.awaited


def test_lines_that_are_still_to_be_sent_are_waited_for() -> None:
    guest = HeapGuest()
    guest.heap(gulls(20))
    absent = frozenset(range((ARENA + 0x200 - 0x8000_0000) >> 8, 0x1000))
    run = guest.run({"count": "len(blocks())"}, whole=False, absent=absent)
    run.evaluator.absent_status = Status.WAITING
    run.frame()
    assert run["count"].status is Status.WAITING
    assert run.evaluator.heap().awaited


# when it is done


def test_no_heap_is_walked_unless_it_is_asked_for() -> None:
    guest = HeapGuest()
    guest.heap(gulls(3))
    guest.aim(0)
    run = guest.run({"word": "word", "held": "held.word"}, whole=False)
    run.frame()
    assert run["word"].status is Status.OK
    assert run["held"].status is Status.NULL
    assert run.evaluator.heap_seen is None


def test_a_plan_can_ask_for_the_heap_beside_its_watches() -> None:
    guest = HeapGuest()
    guest.heap(gulls(3))
    prepared = with_heap(
        PreparedBuild(guest.layout, guest.program({"word": "word"}), (), None, None)
    )
    assert list(prepared.program.watches) == ["word"]
    run = guest.run({"word": "word"}, whole=False)
    evaluator = type(run.evaluator)(prepared.program, guest.layout, guest.memory, whole=True)
    assert evaluator.evaluate(guest.image(), 1) == set()
    assert evaluator.heap_seen is not None
    assert len(evaluator.heap_seen.blocks) == 3


def test_a_schema_without_a_heap_has_none_to_ask_for() -> None:
    guest = Guest()
    prepared = PreparedBuild(guest.layout, guest.program({}), (), None, None)
    with pytest.raises(SchemaError, match="describes no heap; add"):
        with_heap(prepared)
    run = guest.run({}, whole=True)
    with pytest.raises(ValueError, match="describes no heap"):
        run.evaluator.heap()


def test_the_heap_of_a_frame_stays_that_frames() -> None:
    guest = HeapGuest()
    guest.heap(gulls(3))
    run = _run(guest, whole=True)
    before = run.evaluator.heap_seen
    guest.heap(gulls(5))
    run.frame(2)
    after = run.evaluator.heap_seen
    assert before is not None
    assert after is not None
    assert (len(before.blocks), len(after.blocks)) == (3, 5)


# any heap


BLOCKS = st.lists(
    st.builds(
        Made,
        size=st.integers(0, 40).map(lambda n: n * 16),
        used=st.booleans(),
        kind=st.integers(0, 8),
        reuses=st.integers(0, 255),
    ),
    max_size=60,
)


@settings(max_examples=60, deadline=None)
@given(
    blocks=BLOCKS,
    endian=st.sampled_from(["big", "little"]),
    pointer=st.sampled_from([4, 8]),
    whole=st.booleans(),
)
def test_any_heap_is_that_of_the_model(
    blocks: list[Made], endian: str, pointer: int, whole: bool
) -> None:
    guest = HeapGuest(endian=endian, pointer=pointer, size="256 KiB")
    guest.heap(blocks)
    names = {number: name for name, number in KINDS.items()}

    def owner(block: Made) -> str:
        if not block.used:
            return "free"
        return names.get(block.kind, str(block.kind)) if block.size >= 2 else "unknown"

    heap = walked(guest, whole=whole)
    assert heap.damaged is None
    assert [(b.start, b.size, b.used, b.owner, b.generation) for b in heap.blocks] == [
        (guest.start(n), block.size, block.used, owner(block), block.reuses)
        for n, block in enumerate(blocks)
    ]


@settings(max_examples=150, deadline=None)
@given(
    count=st.integers(1, 12),
    at=st.integers(0, 12 * 0x40 - 1),
    noise=st.binary(min_size=1, max_size=24),
    whole=st.booleans(),
)
def test_no_bytes_make_the_walk_fail(count: int, at: int, noise: bytes, whole: bool) -> None:
    guest = HeapGuest(size="256 KiB")
    guest.heap(gulls(count))
    guest.poke(ARENA + at, f"{len(noise)}s", noise)
    heap = walked(guest, whole=whole)
    assert heap.damaged is None or heap.damaged.startswith(("after block", "the first block"))
    headers = [b.header for b in heap.blocks]
    assert len(set(headers)) == len(headers)
    assert all(0x8000_0000 <= b.start <= b.end <= 0x8004_0000 for b in heap.blocks)
    extents = sorted((b.header, b.end) for b in heap.blocks)
    assert all(end <= header for (_, end), (header, _) in pairwise(extents))


def test_a_garbage_collection_in_the_middle_of_it_is_no_damage(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    # a collection of so many objects takes longer than a walk may
    many = [[number] for number in range(1_500_000)]
    taken = []
    pause = heap_walk.HeapWalk._pause

    def collecting(walk: heap_walk.HeapWalk, count: int) -> None:
        began = time.thread_time()
        gc.collect()
        taken.append(time.thread_time() - began)
        pause(walk, count)

    monkeypatch.setattr(heap_walk.HeapWalk, "_pause", collecting)
    guest = HeapGuest()
    guest.heap(gulls(40))
    heap = walked(guest)
    assert taken
    assert len(many) == 1_500_000
    assert (heap.damaged, len(heap.blocks)) == (None, 40)
