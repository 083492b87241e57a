"""A heap event as JSON and in words: of a named heap, and of a block that moved."""

from __future__ import annotations

from adapters.json_forms.heap_events import event_json, event_words, told_json
from adapters.json_forms.shapes import FORMS
from adapters.outputs.mqtt.homie_heap import WaitingEvent
from bridge.heap.blocks import Block, FurtherBlock
from bridge.heap.events import Happened, HeapEvent
from bridge.heap.told_events import Anew, ToldEvents, Unseen

PLAIN = Block(0x8020_0010, 0x40, True, 2, "gull", 0x8020_0000)
NAMED = FurtherBlock(0x8020_0010, 0x40, True, 2, "gull", 0x8020_0000, heap="motes", handle=0x100)
BEFORE = FurtherBlock(0x8020_0090, 0x40, True, 4, "gull", 0x8020_0080, heap="motes", handle=0x100)


def test_the_heap_is_told_where_it_has_a_name() -> None:
    plain = HeapEvent(8, 7, Happened.ALLOCATED, PLAIN)
    assert "heap" not in event_json(plain)
    assert event_words(plain) == "frame 8  gull allocated, block 2 at 0x80200010, 0x40 bytes"
    named = HeapEvent(8, 7, Happened.ALLOCATED, NAMED)
    assert event_json(named) == {**event_json(plain), "heap": "motes"}
    assert event_words(named) == (
        "frame 8  gull allocated, block 2 of motes at 0x80200010, 0x40 bytes"
    )
    assert b'"heap":"motes"' in WaitingEvent(1, 0, named).payload()


def test_a_block_that_moved_tells_where_it_was() -> None:
    moved = HeapEvent(8, 7, Happened.MOVED, NAMED, BEFORE)
    told = event_json(moved)
    assert (told["event"], told["was"], told["was_at"]) == ("moved", None, 0x8020_0090)
    assert FORMS["heap-event"].model_validate(told)
    assert event_words(moved) == (
        "frame 8  gull moved from 0x80200090, block 2 of motes at 0x80200010, 0x40 bytes"
    )


def test_a_page_is_told_the_heap_last() -> None:
    told = ToldEvents(
        2,
        3,
        (
            Anew(6, "", "motes"),
            HeapEvent(8, 7, Happened.ALLOCATED, PLAIN),
            HeapEvent(8, 7, Happened.ALLOCATED, NAMED),
            Unseen(9, 11, 3, "damaged", "motes"),
            Unseen(12, 12, 1, "not seen", "motes"),
            Unseen(13, 13, None, "not seen", "motes"),
        ),
    )
    rows = told_json(told)["told"]
    end = "what came and went between is not told"
    assert rows == [
        (0, 6, "anew", "motes: told from frame 6 on"),
        (1, 8, "allocated", "gull allocated", 2, 0x8020_0010, 0x40),
        (2, 8, "allocated", "gull allocated", 2, 0x8020_0010, 0x40, "motes"),
        (0, 11, "unseen", f"frames 9 to 11, the heap motes was damaged: {end}"),
        (0, 12, "unseen", f"frame 12 of motes not seen: {end}"),
        (0, 13, "unseen", f"frames from 13 on of motes not seen, how many is not known: {end}"),
    ]
