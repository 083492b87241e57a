"""A long comparison for a page: cut to what is near a difference, and never made up."""

from __future__ import annotations

from adapters.json_forms.heap_shape import line_json
from adapters.outputs.web.heap import SeenHeap
from adapters.outputs.web.layouts import MAX_LINES, layouts_json
from bridge.heap.blocks import Block, Heap
from bridge.heap.shape import compare, layout_from, layout_of
from schemas.layout_file import MAX_BLOCKS, BlockTable, LayoutFile, SavedLayout


def heap(owners: list[str], damaged: str | None = None) -> Heap:
    return Heap(
        [
            Block(0x1010 + 0x40 * n, 0x30, owner != "free", n, owner, 0x1000 + 0x40 * n)
            for n, owner in enumerate(owners)
        ],
        damaged,
        0x10,
    )


def saved(owners: list[str], title: str = "", build: str = "export") -> SavedLayout:
    blocks = tuple(
        BlockTable(owner=b.owner, size=b.size, used=b.used, at=b.at)
        for b in layout_of(heap(owners)).blocks
    )
    return SavedLayout(LayoutFile(game="Tidewright", build=build, title=title, blocks=blocks))


def test_the_lines_near_differences_are_kept_in_their_order() -> None:
    expected = ["crate"] * 1000
    found = list(expected)
    found[300] = found[900] = "gull"
    (shown,) = layouts_json(
        {"good": saved(expected, "Good one")}, SeenHeap(heap(found), 77, "export")
    )["layouts"]
    whole = compare(layout_from(saved(expected).file), layout_of(heap(found)))
    lines = [line_json(whole, line) for line in whole.lines]
    assert (shown["name"], shown["title"], shown["first"]) == ("good", "Good one", 300)
    assert (shown["matches"], shown["omitted"]) == (False, 1000 - MAX_LINES)
    kept = [line["expected"]["index"] for line in shown["lines"]]
    assert kept == [*range(200, 401), *range(801, 1000)]
    assert shown["lines"] == [lines[number] for number in kept]


def test_a_match_keeps_its_first_lines() -> None:
    owners = ["crate"] * 500
    (shown,) = layouts_json({"good": saved(owners)}, SeenHeap(heap(owners), 1, "export"))["layouts"]
    assert (shown["matches"], shown["first"], shown["omitted"]) == (True, None, 100)
    assert [line["found"]["index"] for line in shown["lines"]] == list(range(400))


def test_a_damaged_heap_is_no_match() -> None:
    seen = SeenHeap(heap(["crate"], "block 0 leads nowhere"), 1, "export")
    (shown,) = layouts_json({"good": saved(["crate"])}, seen)["layouts"]
    assert (shown["matches"], shown["first"]) == (False, None)
    assert shown["note"] == "block 0 leads nowhere"


def test_what_cannot_be_compared_says_why() -> None:
    layouts = {"good": saved(["crate"])}
    waiting = layouts_json(layouts, None)
    assert waiting["frame"] is None
    assert (waiting["layouts"][0]["matches"], waiting["layouts"][0]["words"]) == (
        None,
        "waits for the heap",
    )
    long = layouts_json(layouts, SeenHeap(heap(["crate"] * (MAX_BLOCKS + 1)), 3, "export"))
    assert (long["layouts"][0]["matches"], long["layouts"][0]["words"]) == (
        None,
        f"not compared: {MAX_BLOCKS + 1} blocks, expected at most {MAX_BLOCKS}",
    )
