"""Where the expressions in wishes lead, and what is told of what is wished for in vain."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import pytest

from bridge.planning.several_builds import KnownBuild, set_out
from bridge.planning.wanted import of_builds, wanted
from bridge.planning.wishes import Leading, Sort, Wish, asking_build, leading
from bridge.prepared import prepare
from schemas.errors import ExpressionError, LowhalfError, PlanningError
from schemas.layout_file import BlockTable, LayoutFile
from schemas.loader import load_bridge
from schemas.plan_file import GoalTable
from tests.bridge.planning.made_plan import BOUNDS, EXPORT, FIRST_PRINT, start

ROOT = Path(__file__).parents[3]
BRIDGE = load_bridge(ROOT / "sample_dumps" / "first-print-carry.bridge.toml")
PREPARED = prepare(BRIDGE)
WATCHES = {"hand": "courier.held", "number": "stale_address + 4"}
REST = BlockTable.model_validate({"owner": "the rest"})
GAMES = {"first-print": FIRST_PRINT, "export": EXPORT}


def wish(where: str, sort: Sort = Sort.START, kind: str = "gull", field: str = "") -> Wish:
    return Wish(sort, where, f"asked for {where}", kind, field)


@pytest.mark.parametrize(
    ("where", "expected"),
    [
        # a pointer leads where it points, a whole number is an address
        ("courier.held", Leading("courier.held")),
        ("hand", Leading("courier.held")),
        ("stale_address", Leading("stale_address")),
        ("stale_address + 0x10", Leading("stale_address + 0x10")),
        ("number", Leading("stale_address + 4")),
        ("0x80200010", Leading("", fixed=0x8020_0010, written=True)),
        ("2149580816", Leading("", fixed=0x8020_0010, written=True)),
        # anything else leads to its own place: offsets are those of export's structs
        ("courier.held.held.position", Leading("courier.held.held", 0x2C)),
        ("courier.held.mood", Leading("courier.held", 0xAC)),
        ('at(courier.held, "Lantern").fuel', Leading("courier.held", 0x1A8)),
        ('at(0x80240010, "Lantern").fuel', Leading("", fixed=0x8024_01B8, written=True)),
        # courier is at 0x801C1690 on export
        ("courier", Leading("", fixed=0x801C_1690)),
        ("courier.position", Leading("", fixed=0x801C_16BC)),
        ("address(courier.held.position)", Leading("courier.held", 0x2C)),
        ("address(courier.position.x)", Leading("", fixed=0x801C_16BC)),
        ("courier.held.satchel[script_laps].freshness",
         Leading("address(courier.held.satchel[script_laps])", 8)),
    ],
)  # fmt: skip
def test_where_an_expression_leads(where: str, expected: Leading) -> None:
    assert leading(PREPARED["export"], WATCHES, wish(where)) == expected


@pytest.mark.parametrize(
    ("where", "expected"),
    [
        # a field is wished for at its own place, whatever is stored there: export's offsets
        ("courier.held.held", Leading("courier.held", 0x144)),
        ("courier.held.step_count", Leading("courier.held", 0x164)),
        ("courier.held", Leading("", fixed=0x801C_1690 + 0x144)),
        ("stale_address + 4", Leading("stale_address + 4")),
    ],
)
def test_where_a_field_is_wished_for(where: str, expected: Leading) -> None:
    found = leading(PREPARED["export"], WATCHES, wish(where, Sort.FIELD, field="timer"))
    assert found == expected


@pytest.mark.parametrize(
    ("where", "message"),
    [
        ("courier.hold", "Actor has no field hold; did you mean holder?"),
        ("courier.held.x +", "is not an expression: invalid syntax"),
        ("courier.speed * 2",
         "is a float, expected an address: a pointer, a place or a whole number"),
        ("[a for a in blocks()]", "is a list; use len, sum, min, max or first"),
    ],
)  # fmt: skip
def test_an_expression_that_leads_nowhere_is_refused(where: str, message: str) -> None:
    with pytest.raises(ExpressionError) as fault:
        leading(PREPARED["export"], WATCHES, wish(where))
    assert fault.value.detail == message


def test_an_address_of_each_build_can_be_given() -> None:
    one = wish("first-print=0x80200010, export=2149842960")
    assert leading(PREPARED["first-print"], WATCHES, one) == Leading("", fixed=0x8020_0010)
    assert leading(PREPARED["export"], WATCHES, one) == Leading("", fixed=0x8024_0010)
    with pytest.raises(LowhalfError) as fault:
        leading(PREPARED["second-print"], WATCHES, one)
    assert str(fault.value) == (
        "asked for first-print=0x80200010, export=2149842960: it has no address of second-print"
    )
    # what is an expression stays one
    with pytest.raises(ExpressionError):
        leading(PREPARED["export"], WATCHES, wish("export=courier.held"))


def test_a_frame_can_be_asked_for_what_an_expression_needs() -> None:
    build = asking_build(PREPARED["export"], WATCHES, {"wish 0": "courier.held"})
    assert [watch.name for watch in build.watches] == ["wish 0"]
    assert build.program.watches["wish 0"] < len(build.program.slots)
    assert not any(slot.heap_checks for slot in build.program.slots if slot.name)


# -- from wishes to goals

FIRST = KnownBuild(start(FIRST_PRINT, "buoy", "lantern", "gull"), [0x8020_01D0], "a dump")
LEADS = {"first-print": [Leading("courier.held")], "export": [Leading("courier.held")]}


def goals_of(
    one: Wish, leads: Mapping[str, list[Leading]], *known: tuple[str, KnownBuild]
) -> GoalTable:
    found = set_out([one], leads, dict(known or [("first-print", FIRST)]), GAMES, BOUNDS)
    (goal,) = wanted([one], {}, found, PREPARED)
    return goal


def test_a_number_is_carried_over_to_a_build_of_which_there_is_no_memory() -> None:
    goal = goals_of(wish("courier.held"), LEADS)
    # a buoy takes 0x10 bytes more there
    assert goal.spans == {
        "first-print": (0x8020_01D0, 0x8020_01D0),
        "export": (0x8024_01E0, 0x8024_01E0),
    }
    assert goal.words == "a gull at courier.held"
    assert goal.given == "asked for courier.held"


def test_a_field_over_a_field_starts_by_each_builds_own_offsets() -> None:
    where = 'at(courier.held, "Lantern").fuel'
    one = wish(where, Sort.FIELD, "gull", "altitude")
    leads = {build: [leading(PREPARED[build], {}, one)] for build in GAMES}
    goal = goals_of(one, leads)
    # fuel is at 0x1A0 of a lantern, altitude at 0x1BC of a gull; 8 bytes further on export, both
    assert goal.spans == {
        "first-print": (0x8020_01D0 + 0x1A0 - 0x1BC,) * 2,
        "export": (0x8024_01E0 + 0x1A8 - 0x1C4,) * 2,
    }
    assert goal.words == f"gull.altitude under {where}"


@pytest.mark.parametrize(
    ("sort", "kind", "words", "found"),
    [
        (Sort.COVER, "", "some block over 0x802001D0", "covered"),
        (Sort.COVER, "gull", "a gull over 0x802001D0", "covered"),
        (Sort.FREE, "", "0x802001D0 free", "freed"),
        (Sort.AVOID, "", "no block over 0x802001D0", "uncovered"),
    ],
)
def test_an_address_of_one_build_is_carried_to_the_other(
    sort: Sort, kind: str, words: str, found: str
) -> None:
    written = Leading("", fixed=0x8020_01D0, written=True)
    goal = goals_of(wish("0x802001D0", sort, kind), {"first-print": [written], "export": [written]})
    assert goal.addresses == {"first-print": 0x8020_01D0, "export": 0x8024_01E0}
    assert (goal.words, goal.sort, goal.kind) == (words, found, kind or None)


def test_an_address_is_one_of_the_build_whose_heap_holds_it() -> None:
    export = KnownBuild(start(EXPORT, "buoy", "lantern", "gull"), [None], "another")
    written = [Leading("", fixed=0x8024_01E0, written=True)]
    leads = {"first-print": written, "export": written}
    known = ("first-print", FIRST), ("export", export)
    goal = goals_of(wish("0x802401E0"), leads, *known)
    assert goal.spans["first-print"] == (0x8020_01D0, 0x8020_01D0)
    other = KnownBuild(start(EXPORT, "buoy", "gull", "gull"), [None], "another")
    with pytest.raises(PlanningError) as fault:
        goals_of(wish("0x802401E0"), leads, known[0], ("export", other))
    assert str(fault.value) == (
        "0x802401E0 is an address of export, and the heap of first-print is another; give an "
        "expression, or each build's address as first-print=ADDRESS, with commas between them"
    )


@pytest.mark.parametrize(
    ("number", "one", "message"),
    [
        (0, wish("courier.held"),
         "asked for courier.held: it is null on first-print, so it leads nowhere"),
        (0x100, wish("courier.held"),
         "asked for courier.held: 0x00000100 is outside the heap of first-print, which is from "
         "0x80200000 to 0x8020FFFF"),
        (0x8021_0000, wish("courier.held", Sort.FIELD, "gull", "timer"),
         "asked for courier.held: 0x80210000 is outside the heap of first-print, which is from "
         "0x80200000 to 0x8020FFFF; --under takes the field that a pointer reaches, such as "
         "courier.held.position.x"),
        (0x8020_0020, wish("courier.held", Sort.FIELD, "gull", "altitude"),
         "asked for courier.held: the gull would begin at 0x801FFE64 on first-print, where its "
         "heap is from 0x80200000 to 0x8020FFFF"),
        (0x8020_01D0, wish("courier.held", Sort.FIELD, "gull", "alitude"),
         "gull.alitude: Gull has no field alitude; did you mean altitude?"),
        (0x8020_01D0, wish("courier.held", kind="gul"),
         "the schema has no size of a kind gul; did you mean gull?"),
    ],
)  # fmt: skip
def test_what_cannot_be_is_told(number: int, one: Wish, message: str) -> None:
    known = KnownBuild(FIRST.start, [number], "a dump")
    with pytest.raises(LowhalfError) as fault:
        goals_of(one, LEADS, ("first-print", known))
    assert str(fault.value) == message


def test_a_kind_without_a_size_on_one_build_is_told() -> None:
    sizes = {kind: size for kind, size in EXPORT.sizes.items() if kind != "gull"}
    less = {**GAMES, "export": type(EXPORT)("export", EXPORT.policy, sizes)}
    known = KnownBuild(start(FIRST_PRINT, "buoy", "lantern"), [0x8020_01D0], "a dump")
    found = set_out([wish("courier.held")], LEADS, {"first-print": known}, less, BOUNDS)
    with pytest.raises(LowhalfError) as fault:
        wanted([wish("courier.held")], {}, found, PREPARED)
    assert str(fault.value) == (
        "gull has no size on export: give it under sizes in [allocator.builds.export]"
    )


def test_a_build_whose_arena_stands_in_its_memory_needs_a_dump() -> None:
    with pytest.raises(PlanningError) as fault:
        set_out([], {}, {"first-print": FIRST}, GAMES, {"export": None})
    assert str(fault.value) == (
        "where the arena of export lies stands in its memory: give a dump of it with --dump, or "
        "whole addresses as arena in [allocator.builds.export]"
    )


def test_goals_can_be_of_some_of_the_builds() -> None:
    goal = goals_of(wish("courier.held"), LEADS)
    (alone,) = of_builds([goal], ["export"])
    assert alone.spans == {"export": goal.spans["export"]}
    assert alone.words == goal.words


def test_a_layout_has_the_other_builds_sizes() -> None:
    blocks = (
        BlockTable(owner="buoy", size=0x1B0, used=True, at=0),
        BlockTable(owner="buoy", size=0x1C0, used=True, at=0x1C0),
        BlockTable.model_validate({"owner": "any", "size": 0x1C0}),
        REST,
    )
    file = LayoutFile(game="Tidewright", build="first-print", blocks=blocks)
    found = set_out([], {}, {"first-print": FIRST}, GAMES, BOUNDS)
    (goal,) = wanted([], {"good.layout.toml": file}, found, PREPARED)
    assert goal.words == "the heap as in good.layout.toml"
    assert goal.layouts["first-print"] == blocks
    told = [(b.owner, b.size, b.at) for b in goal.layouts["export"]]
    # the second got more than a buoy takes, which may be any bytes there
    assert told == [("buoy", 0x1C0, None), ("buoy", None, None), ("any", None, None),
                    ("the rest", None, None)]  # fmt: skip
    with pytest.raises(LowhalfError) as fault:
        wanted([], {"x": file.model_copy(update={"build": "second-print"})}, found, PREPARED)
    assert str(fault.value) == (
        "the layout was saved on second-print, and the plan is for first-print, export: sizes may "
        "differ; give one saved on one of these"
    )
