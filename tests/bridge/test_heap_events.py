"""Heap events, held against a model allocator that tells of each thing that it does."""

from __future__ import annotations

import random
from collections.abc import Mapping

from bridge.heap.blocks import FREE, Block, Heap
from bridge.heap.events import Happened, HeapEvent, HeapEvents, events_between

BASE = 0x8020_0000


def heap_of(used: Mapping[int, tuple[str, int, int | None]], **settings: bool | str) -> Heap:
    """Blocks by offset: owner, size and generation; a free block behind each."""
    blocks: list[Block] = []
    for at, (owner, size, generation) in used.items():
        blocks.append(Block(BASE + at, size, True, len(blocks), owner, BASE + at - 16, generation))
        blocks.append(Block(BASE + at + size + 16, 16, False, len(blocks), FREE, BASE + at + size))
    return Heap(blocks, **settings)  # type: ignore[arg-type]


def told(events: list[HeapEvent]) -> list[tuple[str, str, int, str | None]]:
    return [
        (str(e.happened), e.block.owner, e.block.start - BASE, e.was.owner if e.was else None)
        for e in events
    ]


def test_each_thing_is_told_once_by_address() -> None:
    before = heap_of({0x20: ("reed", 64, 1), 0x100: ("otter", 64, 2), 0x200: ("gull", 32, 3)})
    after = heap_of({0x300: ("reed", 64, 5), 0x100: ("gull", 64, 4), 0x200: ("gull", 32, 3)})
    events = events_between(12, 9, before, after)
    assert told(events) == [
        ("released", "reed", 0x20, None),
        ("reused", "gull", 0x100, "otter"),
        ("allocated", "reed", 0x300, None),
    ]
    assert {(e.frame, e.since) for e in events} == {(12, 9)}
    # the block of what was released as it was, with the number that it had
    assert events[0].block.index == 0


def test_the_same_kind_handed_out_again_is_told_by_its_generation() -> None:
    before, after = ({0x20: ("reed", 64, number)} for number in (1, 2))
    assert told(events_between(2, 1, heap_of(before), heap_of(after))) == [
        ("reused", "reed", 0x20, "reed")
    ]
    unnumbered = {0x20: ("reed", 64, None)}
    assert events_between(2, 1, heap_of(unnumbered), heap_of(unnumbered)) == []


def test_what_a_damaged_heap_does_not_show_was_not_released() -> None:
    events = HeapEvents()
    whole = {0x20: ("reed", 64, None), 0x100: ("otter", 64, None)}
    part = {0x20: ("reed", 64, None)}
    assert events.take(1, heap_of(whole)) == []
    assert events.take(2, heap_of(part, damaged="block 1 overlaps")) == []
    assert events.take(3, heap_of(part, awaited=True)) == []
    found = events.take(4, heap_of(part))
    assert told(found) == [("released", "otter", 0x100, None)]
    assert (found[0].frame, found[0].since) == (4, 1)
    events.forget()
    assert events.take(5, heap_of(whole)) == []


def test_a_model_allocator_and_the_events_agree() -> None:
    """Random actions in each frame; what happened net of each address is known from the model."""
    chance = random.Random(8)
    used: dict[int, tuple[str, int, int | None]] = {}
    events = HeapEvents()
    events.take(0, heap_of(used))
    serial = 0
    for frame in range(1, 400):
        before = dict(used)
        done: set[int] = set()
        for _ in range(chance.randrange(4)):
            at = 0x40 * chance.randrange(1, 12)
            if at in used and chance.random() < 0.6:
                del used[at]
                done.add(at)
            elif at not in used:
                serial += 1
                used[at] = (chance.choice(["reed", "otter", "gull"]), 32, serial)
                done.add(at)
        expected: list[tuple[str, str, int, str | None]] = [
            ("released", before[at][0], at, None) for at in sorted(before) if at not in used
        ]
        for at in sorted(done & used.keys()):
            was = before.get(at)
            if was is None:
                expected.append(("allocated", used[at][0], at, None))
            elif was != used[at]:
                expected.append(("reused", used[at][0], at, was[0]))
        shuffled = list(used.items())
        chance.shuffle(shuffled)
        found = told(events.take(frame, heap_of(dict(shuffled))))
        assert found == expected
    assert serial > 100
    assert Happened("reused") is Happened.REUSED
