"""Several heaps of one guest, nested ones too: which one an address is in, and what is told."""

from __future__ import annotations

import pytest

from bridge.heap.blocks import Block, FurtherBlock, Heap
from bridge.heap.events import Happened, HeapEvents, events_between
from bridge.heap.told_events import Anew, EventTeller, Unseen
from bridge.values.status import Status
from schemas.errors import ExpressionError, SchemaError
from tests.bridge.made_guest import Guest, Run
from tests.bridge.made_heap import ARENA, HeapGuest, Made, schema_text

POOL = ARENA + 0x10 + 0x40 + 0x10
"""The payload of the second block: the pool lies in it, and begins 0x20 bytes behind its start."""
SLOTS = POOL + 0x20
BITS = 0x8000_0130
FURTHER = f"""
[heaps.motes]
slots  = {{ count = 4, size = 0x40 }}
first  = "{SLOTS:#x}"
used   = "bits >> index & 1"
extent = {{ from = {SLOTS:#x}, to = {SLOTS + 0x100:#x} }}
identity = "owner.word"
owner  = {{ struct = "Actor", field = "kind" }}
[builds.only]
at.bits = {BITS:#x}
"""


def text_with(further: str = FURTHER) -> str:
    text = schema_text().replace('word      = "u32"\n', 'word      = "u32"\nbits      = "u32"\n', 1)
    head, builds = text.split("[builds.only]\n")
    table, _, own = further.partition("[builds.only]\n")
    return f"{head}{table}[builds.only]\n{own or f'at.bits = {BITS:#x}'}\n{builds}"


class Nested(HeapGuest):
    """Three blocks, of which the second holds a pool of four slots."""

    def __init__(self, further: str = FURTHER) -> None:
        super().__init__()
        self.__dict__.update(vars(Guest(text_with(further))))
        self.header, self.pointer_form, self.headers = 0x10, "I", []
        self.heap([Made(0x40, kind=3), Made(0x140, kind=5), Made(0x40, kind=4)])
        self.use(0b0101)
        for slot in range(4):
            self.poke(SLOTS + 0x40 * slot, "H", 2)
            self.poke(SLOTS + 0x40 * slot + 4, "I", 100 + slot)

    def use(self, bits: int) -> None:
        self.poke(BITS, "I", bits)


@pytest.fixture(params=[True, False], ids=["whole", "sparse"])
def whole(request: pytest.FixtureRequest) -> bool:
    found: bool = request.param
    return found


def heaps_of(guest: Nested, *, whole: bool = True) -> Heap:
    run = guest.run({"index": "block(held).index"}, whole=whole)
    run.frame()
    return run.evaluator.heap()


def test_each_heap_has_its_own_blocks(whole: bool) -> None:
    guest = Nested()
    guest.aim(SLOTS)
    heap = heaps_of(guest, whole=whole)
    (motes,) = heap.others
    assert (heap.name, motes.name) == ("", "motes")
    assert [block.owner for block in heap.blocks] == ["crate", "buoy", "gull"]
    assert list(motes.blocks) == [
        FurtherBlock(SLOTS, 0x40, True, 0, "lantern", SLOTS, None, 100, "motes"),
        FurtherBlock(SLOTS + 0x40, 0x40, False, 1, "free", SLOTS + 0x40, None, None, "motes"),
        FurtherBlock(SLOTS + 0x80, 0x40, True, 2, "lantern", SLOTS + 0x80, None, 102, "motes"),
        FurtherBlock(SLOTS + 0xC0, 0x40, False, 3, "free", SLOTS + 0xC0, None, None, "motes"),
    ]
    assert motes.extent == (SLOTS, SLOTS + 0x100)
    assert heap.named("motes") is motes


@pytest.mark.parametrize(
    ("address", "owner", "index", "heap"),
    [
        (ARENA + 0x10, "crate", 0, ""),
        (POOL + 4, "buoy", 1, ""),
        (SLOTS, "lantern", 0, "motes"),
        (SLOTS + 0x7F, "free", 1, "motes"),
        (SLOTS + 0x100, "buoy", 1, ""),
        (ARENA, "crate", 0, ""),
    ],
)
def test_a_block_is_the_innermost(
    address: int, owner: str, index: int, heap: str, whole: bool
) -> None:
    guest = Nested()
    guest.aim(address)
    watches = {
        "owner": "owner(held)",
        "index": "block(held).index",
        "heap": "block(held).heap",
        "outer": 'block(held, "motes").index',
    }
    run = guest.run(watches, whole=whole)
    run.frame()
    assert (run["owner"].value, run["index"].value, run["heap"].value) == (owner, index, heap)
    if heap:
        assert run["outer"].value == index
    else:
        assert run["outer"].status is Status.UNMAPPED
        assert run["outer"].reason == (f"held: 0x{address:08X} is in no block of the heap motes")


def test_lists_of_blocks_are_of_one_heap() -> None:
    guest = Nested()
    assert guest.outcome("len(blocks())", whole=True).value == 3
    assert guest.outcome('len([b for b in blocks("motes") if b.used])', whole=True).value == 2
    owners = '[b for b in blocks("motes") if b.heap == "motes"]'
    assert guest.outcome(f"len({owners})", whole=True).value == 4


def test_watches_of_several_heaps_beside_each_other(whole: bool) -> None:
    guest = Nested()
    guest.aim(SLOTS)
    watches = {
        "used": "len([b for b in blocks() if b.used])",
        "lit": 'len([b for b in blocks("motes") if b.used])',
        "all": "len(blocks())",
        "motes": 'len(blocks("motes"))',
        "numbers": 'sum([block(b.start, "motes").index for b in blocks("motes")])',
        "bytes_of_motes": 'sum([block(b.start).size for b in blocks("motes")])',
    }
    run = guest.run(watches, whole=whole)
    run.frame()
    assert [run[name].value for name in watches] == [3, 2, 3, 4, 6, 0x100]


def test_one_heap_that_is_asked_for_is_the_only_one_that_is_walked() -> None:
    guest = Nested()
    run = guest.run({"count": 'len(blocks("motes"))'}, whole=True)
    run.frame()
    assert run["count"].value == 4
    assert run.evaluator.heap_seen is None  # not all of them
    assert len(run.evaluator.heap().others) == 1


@pytest.mark.parametrize(
    ("expression", "words"),
    [
        ('blocks("mote")', "unknown heap mote; did you mean motes?"),
        ('block(held, "")', "unknown heap"),
        ("block(held, held)", "expected a heap's name in quotation marks"),
        ('len([b for b in blocks() if b.heap == "mote"])', 'it can never be "mote"'),
        ("block(held).sise", "a block has no field sise; did you mean size?"),
        ("block(held)", "is a whole block; name a field: start, size, used, index, owner, heap"),
    ],
)
def test_what_is_refused(expression: str, words: str) -> None:
    with pytest.raises(ExpressionError) as refused:
        Nested().run({"watch": expression}, whole=True)
    assert words in refused.value.detail


def test_without_an_unnamed_one_the_heap_must_be_named() -> None:
    text = text_with().replace("[heap]\n", "[heaps.things]\n")
    with pytest.raises(ExpressionError) as refused:
        Guest(text).run({"watch": "len(blocks())"}, whole=True)
    assert refused.value.detail == "which heap? name it in quotation marks: things, motes"


def test_a_schema_with_one_heap_has_no_field_of_its_name() -> None:
    with pytest.raises(ExpressionError, match="a block has no field heap"):
        HeapGuest().run({"watch": "block(held).heap"}, whole=True)
    with pytest.raises(ExpressionError, match=r"unknown heap motes; the schema has only \[heap\]"):
        HeapGuest().run({"watch": 'len(blocks("motes"))'}, whole=True)


# stale pointers


def play(guest: Nested, whole: bool) -> Run:
    run = guest.run({"watch": "held.kind"}, whole=whole)
    run.frame(1)
    assert run["watch"].status is Status.OK
    return run


def test_a_pointer_into_a_nested_heap_is_told_as_freed_and_changed(whole: bool) -> None:
    guest = Nested()
    guest.aim(SLOTS + 0x80)
    run = play(guest, whole)
    guest.use(0b0001)
    run.frame(2)
    assert (run["watch"].status, run["watch"].reason) == (
        Status.FREED,
        "held points into a free block (block 2 of motes, was lantern)",
    )
    guest.use(0b0101)
    guest.poke(SLOTS + 0x84, "I", 900)
    run.frame(3)
    assert (run["watch"].status, run["watch"].reason) == (
        Status.CHANGED,
        "held was aimed at lantern (block 2 of motes) and the block now holds another lantern",
    )


def test_in_a_pool_that_is_damaged_nothing_is_told_while_its_block_is_there(whole: bool) -> None:
    guest = Nested(FURTHER.replace("count = 4", 'count = "word"'))
    guest.poke(0x8000_0118, "I", 4)
    guest.aim(SLOTS + 0x80)
    run = play(guest, whole)
    guest.poke(0x8000_0118, "I", 1 << 20)
    run.frame(2)
    assert run["watch"].status is Status.OK
    # but the block of the outer heap that it lies in is free now
    guest.heap([Made(0x40, kind=3), Made(0x140, used=False, kind=5), Made(0x40, kind=4)])
    run.frame(3)
    assert (run["watch"].status, run["watch"].reason) == (
        Status.FREED,
        "held points into a free block (block 1, was lantern)",
    )


# arenas that cannot be where they are


def test_arenas_that_overlap_and_are_not_nested_are_damage() -> None:
    far = FURTHER.replace("count = 4", "count = 6").replace(
        f"{SLOTS + 0x100:#x}", f"{SLOTS + 0x180:#x}"
    )
    heap = heaps_of(Nested(far))
    assert heap.damaged is None
    low, high = ARENA + 0x10, ARENA + 0x10 + 0x40 + 0x10 + 0x140 + 0x10 + 0x40
    assert heap.others[0].damaged == (
        f"its blocks lie in 0x{SLOTS:08X} to 0x{SLOTS + 0x180:08X}, which overlaps 0x{low:08X} to "
        f"0x{high:08X} of [heap]; a heap inside another must lie in one block of it"
    )


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("count = 4", "count = -1", "it has -1 slots, expected 0 to 65536"),
        ("count = 4", "count = 0x10001", "it has 65537 slots, expected 0 to 65536"),
        ("size = 0x40 }", 'size = "word" }', "its slots have 0 bytes each"),
        (
            f"to = {SLOTS + 0x100:#x}",
            'to = "word"',
            f"its extent ends at 0x00000000, which is not behind 0x{SLOTS:08X}, where it begins",
        ),
        (
            "count = 4",
            "count = 5",
            f"after block 3 at 0x{SLOTS + 0xC0:08X} (free), the block which is the slot at "
            f"0x{SLOTS + 0x100:08X}: block 4, 0x40 bytes from 0x{SLOTS + 0x100:08X}, lies outside "
            f"0x{SLOTS:08X} to 0x{SLOTS + 0x100:08X}",
        ),
    ],
)
def test_a_pool_that_cannot_be_right_is_damaged(old: str, new: str, words: str) -> None:
    assert old in FURTHER
    (motes,) = heaps_of(Nested(FURTHER.replace(old, new))).others
    assert motes.damaged == words


def test_a_bitmap_that_is_too_short_is_damage() -> None:
    further = FURTHER.replace("bits >> index & 1", "held.trail[index // 2] >> (index % 2) & 1")
    further = further.replace("count = 4", "count = 10").replace(
        f"to = {SLOTS + 0x100:#x}", f"to = {SLOTS + 0x300:#x}"
    )
    guest = Nested(further)
    guest.heap([Made(0x40, kind=3), Made(0x400, kind=5)])
    guest.aim(guest.start(0))
    (motes,) = heaps_of(guest).others
    assert len(motes.blocks) == 8
    assert motes.damaged == (
        f"after block 7 at 0x{SLOTS + 0x1C0:08X} (free), the block which is the slot at "
        f"0x{SLOTS + 0x200:08X}: held.trail[index // 2]: index 4 is outside 0 to 3; the table has "
        "less than the slots need"
    )


# what happens


def test_events_are_of_each_heap_by_itself() -> None:
    guest = Nested()
    before = heaps_of(guest)
    guest.use(0b1100)
    guest.heap([Made(0x40, used=False, kind=3), Made(0x140, kind=5), Made(0x40, kind=4)])
    events = events_between(8, 7, before, heaps_of(guest))
    assert [(str(e.happened), e.block.heap, e.block.index) for e in events] == [
        ("released", "", 0),
        ("released", "motes", 0),
        ("allocated", "motes", 3),
    ]


def test_a_damaged_heap_does_not_hold_up_the_other() -> None:
    def heap(name: str, *starts: int, damaged: str | None = None) -> Heap:
        blocks: list[Block] = [
            FurtherBlock(start, 16, True, n, "gull", start - 16, heap=name)
            for n, start in enumerate(starts)
        ]
        return Heap(blocks, damaged, name=name)

    def both(frame: int, one: Heap, other: Heap) -> None:
        teller.take(frame, Heap(one.blocks, one.damaged, others=(other,)), **KNOWN)

    teller = EventTeller()
    both(1, heap("", 0x100), heap("motes", 0x900))
    both(2, heap("", 0x100, 0x200), heap("motes", damaged="torn"))
    both(3, heap("", 0x200), heap("motes", 0x900, 0xA00))
    teller.take(4, None, **KNOWN)
    both(5, heap("", 0x200), heap("motes", 0xA00))
    told = teller.told.recent
    notes = [each for each in told if isinstance(each, Anew | Unseen)]
    assert [(n.heap, getattr(n, "count", None), n.why) for n in notes] == [
        (None, None, ""),
        ("motes", 1, "damaged"),
        (None, 1, "not seen"),
    ]
    events = [each for each in told if not isinstance(each, Anew | Unseen)]
    assert [(e.frame, str(e.happened), e.block.heap, e.block.start) for e in events] == [
        (2, "allocated", "", 0x200),
        (3, "released", "", 0x100),
        (3, "allocated", "motes", 0xA00),
        (5, "released", "motes", 0x900),
    ]


KNOWN = {"numbered": True, "unclear": False}


# handles


HANDLES = """
[heaps.cargo]
handles = "table"
header  = "handle - 8"
block   = "Cargo"
size    = "block.size"
extent  = { from = 0x8000_4000, to = 0x8000_4100 }
[builds.only]
at.bits = 0x8000_0130
at.table = 0x8000_0140
"""
TABLE, CARGO = 0x8000_0140, 0x8000_4000


class Movable(Nested):
    def __init__(self, further: str = HANDLES, table: str = "Actor*[4]") -> None:
        text = text_with(further)
        text = text.replace(
            'bits      = "u32"\n', 'bits      = "u32"\ntable     = "' + table + '"\n', 1
        )
        text = text.replace(
            "[structs.Actor]\n",
            "[structs.Cargo.fields]\nsize = { at = 0, type = "
            '"u32" }\nmark = { at = 4, type = "u32" }\n[structs.Actor]\n',
            1,
        )
        HeapGuest.__init__(self)
        self.__dict__.update(vars(Guest(text)))
        self.header, self.pointer_form, self.headers = 0x10, "I", []

    def place(self, **at: int) -> None:
        """Blocks of 0x18 bytes of payload; those that are not named have null handles."""
        for number, name in enumerate("abcd"):
            start = at.get(name, 0)
            self.poke(TABLE + 4 * number, "I", start)
            if start:
                self.poke(start - 8, "I", 0x18)
                self.poke(start, "H", 4)


def test_a_block_that_moved_is_the_same_by_its_handle(whole: bool) -> None:
    guest = Movable()
    guest.place(a=CARGO + 8, c=CARGO + 0x48)
    guest.aim(CARGO + 0x48)
    run = guest.run({"through": "table[2].kind", "direct": "held.kind"}, whole=whole)
    run.frame(1)
    before = run.evaluator.heap()
    assert (run["through"].status, run["direct"].status) == (Status.OK, Status.OK)
    guest.place(a=CARGO + 8, c=CARGO + 0x28)
    run.frame(2)
    # the handle follows, and who kept the address looks at what is free now
    assert (run["through"].status, run["through"].value) == (Status.OK, 4)
    assert run["direct"].status is Status.FREED
    (event,) = events_between(2, 1, before, run.evaluator.heap())
    assert event.happened is Happened.MOVED
    assert event.was is not None
    assert (event.was.start, event.block.start) == (CARGO + 0x48, CARGO + 0x28)
    assert event.block.handle == TABLE + 8
    events = HeapEvents()
    assert events.take(1, before) == []
    assert [e.happened for e in events.take(2, run.evaluator.heap())] == [Happened.MOVED]


def test_null_handles_are_no_blocks_and_two_to_one_block_are_damage() -> None:
    guest = Movable()
    guest.place(b=CARGO + 8)
    (cargo,) = heaps_of(guest).others
    assert [(b.start, b.size, b.used) for b in cargo.blocks] == [
        (CARGO + 8, 0x18, True),
        (CARGO + 0x20, 0xE0, False),
    ]
    guest.place(b=CARGO + 8, d=CARGO + 8)
    (cargo,) = heaps_of(guest).others
    assert cargo.damaged == (
        f"after block 0 at 0x{CARGO + 8:08X} (unknown), the block which is that of the handle at "
        f"0x{TABLE + 12:08X}: leads to block 0 again, so that two handles have it"
    )


def test_a_table_of_null_handles_is_a_heap_that_is_all_free() -> None:
    (cargo,) = heaps_of(Movable()).others
    assert cargo.damaged is None
    assert [(b.start, b.size, b.used) for b in cargo.blocks] == [(CARGO, 0x100, False)]


@pytest.mark.parametrize(
    ("lines", "words"),
    [
        ('handles = "held"\nsize = "8"', "is one pointer; say how many there are: table, count"),
        ('handles = "word"\nsize = "8"', "is a u32, expected an array of pointers"),
        ('handles = "8"\nsize = "8"', "is a value, expected an array of pointers"),
        ('slots = { count = 1, size = 8 }\nused = "1"', "heaps.more.first: is missing"),
        ('slots = { count = 1, size = 8 }\nfirst = "word"', "heaps.more.used: is missing"),
        ('handles = "held"', "heaps.more.size: is missing"),
        ('list = "free"\nblock = "Actor"\nfirst = "held"\nnext = "block.next"\nsize = "8"\n'
         'payload = "address(block)"', "a list of the free blocks needs an extent"),
        ('slots = { count = 1, size = 8 }\nfirst = "word"\nused = "1"\nnext = "word"',
         "heaps.more.next: does not go with slots"),
        ('handles = "held"\nsize = "8"\nslots = { count = 1, size = 8 }\nfirst = "1"\nused = "1"',
         "expected either slots or handles"),
        ('slots = { count = 1, size = 8 }\nfirst = "word"\nused = "1"\nrest = "blocks"',
         'rest goes with list = "free"'),
        ('slots = { count = 1, size = 8 }\nfirst = "word"\nused = "1"\n'
         "extent = { from = 0x8000_2000, to = 0x8000_2000 }",
         "heaps.more.extent.to: ends at 0x80002000, which is not behind 0x80002000 (build only)"),
        ('block = "Acter"\nfirst = "held"\nnext = "held"\nsize = "1"\nused = "1"\npayload = "1"',
         "heaps.more.block: unknown struct Acter; did you mean Actor?"),
    ],
)  # fmt: skip
def test_a_table_that_is_wrong(lines: str, words: str) -> None:
    with pytest.raises(SchemaError) as refused:
        Nested(f"[heaps.more]\n{lines}\n").run({"watch": "1"}, whole=True)
    assert words in str(refused.value)


def test_handles_behind_a_pointer_have_a_count(whole: bool) -> None:
    further = HANDLES.replace('"table"', '{ table = "table", count = "word" }')
    guest = Movable(further, "Actor**")
    elsewhere = 0x8000_3000
    guest.poke(TABLE, "I", elsewhere)
    guest.poke(0x8000_0118, "I", 3)
    for number, start in enumerate((CARGO + 0x28, 0, CARGO + 8, CARGO + 0x48)):
        guest.poke(elsewhere + 4 * number, "I", start)
    for at in (0, 0x20, 0x40):
        guest.poke(CARGO + at, "I", 0x18)
    guest.aim(CARGO + 8)
    (cargo,) = heaps_of(guest, whole=whole).others
    # the fourth is behind the table's end
    assert [(b.start, b.handle) for b in cargo.blocks if b.used] == [
        (CARGO + 8, elsewhere + 8),
        (CARGO + 0x28, elsewhere),
    ]


def test_extents_that_are_written_out_and_overlap_are_refused() -> None:
    second = FURTHER.split("[builds.only]")[0].replace("heaps.motes", "heaps.more")
    second = second.replace(f"to = {SLOTS + 0x100:#x}", f"to = {SLOTS + 0x180:#x}")
    low, high = f"from = {SLOTS:#x}", f"from = {SLOTS + 0x40:#x}"
    guest = Nested(second.replace(low, high) + FURTHER)
    with pytest.raises(SchemaError) as refused:
        guest.run({"watch": "1"}, whole=True)
    assert (
        f"heaps.motes.extent: 0x{SLOTS:08X} to 0x{SLOTS + 0x100:08X} overlaps "
        f"0x{SLOTS + 0x40:08X} to 0x{SLOTS + 0x180:08X}, that of heaps.more (build only)"
    ) in str(refused.value)
    # one inside the other may be nested
    Nested(second + FURTHER).run({"watch": "1"}, whole=True)


def test_a_pool_without_slots_is_empty() -> None:
    (motes,) = heaps_of(Nested(FURTHER.replace("count = 4", 'count = "word"'))).others
    assert motes.damaged is None
    assert [block.used for block in motes.blocks] == [False]  # its extent is all free
    further = FURTHER.replace("count = 4", 'count = "word"').splitlines()
    without = "\n".join(line for line in further if not line.startswith("extent"))
    (motes,) = heaps_of(Nested(without)).others
    assert (list(motes.blocks), motes.empty) == ([], f"{SLOTS:#x} has no slots")
