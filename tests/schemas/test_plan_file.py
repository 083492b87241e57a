"""The plan file: written and read back, and every fault with file, line, found and nearest."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import get_args

import pytest
from hypothesis import given, settings

from bridge.planning import outcome
from schemas.errors import PlanFileError
from schemas.layout_file import BlockTable
from schemas.plan_file import (
    BlockAt,
    BuildStart,
    GoalTable,
    MadeForTable,
    PlanFile,
    ProofTable,
    StartTable,
    StepTable,
    Verdict,
    load_plan,
    plan_text,
)
from schemas.table import Table
from schemas.toml_file import TomlText
from tests.schemas.drawn_plans import plans

LANTERN = BlockAt(start=0x8020_0010, size=0x1C0, used=True, owner="lantern", age=1)
HOLE = BlockAt(start=0x8020_01E0, size=0xFE20, used=False, owner="free")
GOOD = PlanFile(
    game="Tidewright",
    title='The "good" way',
    frames=125,
    precise=1,
    avoid=("shoo_gull",),
    most_precise=2,
    made_for=MadeForTable(actions="00ff", builds={"first-print": "aa", "2": "bb", "a b": "cc"}),
    proof=ProofTable(verdict="cheapest", floor=125, reason="no sequence is cheaper"),
    goals=(
        GoalTable(
            sort="placed",
            words="a gull at courier.held",
            given="--want gull --at courier.held",
            kind="gull",
            spans=dict.fromkeys(("first-print", "2", "a b"), (0x8020_01E0, 0x8020_01E0)),
        ),
        GoalTable(
            sort="freed",
            words="nothing at 0x80201000",
            addresses=dict.fromkeys(("first-print", "2", "a b"), 0x8020_1000),
        ),
        GoalTable(
            sort="laid out",
            words="as good.layout.toml",
            layouts=dict.fromkeys(
                ("first-print", "2", "a b"),
                (BlockTable(owner="lantern", size=0x1C0, used=True, at=0),),
            ),
        ),
    ),
    start=StartTable(
        states={"room": 0, "rooms entered": -1},
        builds={
            "first-print": BuildStart(
                taken_from="carry.bin.gz, frame 150",
                arena=(0x8020_0000, 0x8021_0000),
                rover=0x8020_0010,
                held=0x8020_0010,
                blocks=(LANTERN, HOLE),
            ),
            "2": BuildStart(
                taken_from="derived from first-print",
                arena=(0x8020_0000, 0x8021_0000),
                blocks=(LANTERN, HOLE),
            ),
            "a b": BuildStart(taken_from="x", arena=(0x8020_01D0, 0x8021_0000), blocks=(HOLE,)),
        },
    ),
    steps=(
        StepTable(
            action="gallery_door",
            frames=95,
            precise=1,
            states={"room": 1},
            layouts={"first-print": (LANTERN, HOLE), "2": (LANTERN, HOLE), "a b": (HOLE,)},
        ),
        StepTable(
            action="call_gull",
            frames=30,
            layouts=dict.fromkeys(("first-print", "2", "a b"), (HOLE,)),
        ),
    ),
)
BEGIN = """\
# A plan: these actions, one after another, bring the heap to where it is wanted.  Addresses are
# those of payloads and sizes bytes of payload, as lowhalf heap tells them.
game = "Tidewright"
title = "The \\"good\\" way"
frames = 125
precise = 1
avoid = ["shoo_gull"]
most_precise = 2

[made_for]
actions = "00ff"
builds = { first-print = "aa", 2 = "bb", "a b" = "cc" }

[proof]
verdict = "cheapest"
floor = 125
reason = "no sequence is cheaper"

[[goals]]
sort = "placed"
words = "a gull at courier.held"
given = "--want gull --at courier.held"
kind = "gull"
"""
STEP = """\
[[steps]]
action = "gallery_door"
frames = 95
precise = 1
states = { room = 1 }
[steps.layouts]
first-print = [
    { start = 0x80200010, size = 0x1C0, used = true,  owner = "lantern", age = 1 },
    { start = 0x802001E0, size = 0xFE20, used = false, owner = "free" },
]
"""


def test_it_is_written_a_line_a_block_and_read_back(tmp_path: Path) -> None:
    path = tmp_path / "good.plan.toml"
    path.write_text(plan_text(GOOD), "utf-8")
    assert path.read_text("utf-8").startswith(BEGIN)
    assert path.read_text("utf-8").count(STEP) == 1
    assert load_plan(path) == GOOD


@settings(max_examples=40)
@given(plans())
def test_any_plan_is_read_back_as_it_was(plan: PlanFile) -> None:
    text = plan_text(plan)
    # outside reference: the standard library's TOML reader
    assert len(tomllib.loads(text)["goals"]) == 2
    assert TomlText(Path("t.plan.toml"), text, PlanFileError).model(PlanFile) == plan


def test_its_verdicts_are_those_of_planning() -> None:
    assert get_args(Verdict) == tuple(map(str, outcome.Verdict))


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ('action = "gallery_door"', 'acton = "gallery_door"',
         ":73: steps.0.action: is missing (and 1 more fault in this file)"),
        ('verdict = "cheapest"', 'verdict = "best"',
         ":15: proof.verdict: expected one of cheapest, impossible, none within the bound, "
         'cut short, found "best"'),
        ("frames = 125", "frames = 124",
         ": frames: expected the sum of the steps, 125, found 124"),
        ("frames = 95", "frames = -95", ":75: steps.0.frames: expected at least 0, found -95"),
        ('first-print = "aa"', 'last-print = "aa"',
         ": made_for.builds: expected the builds of start, first-print, 2, a b; "
         "found 2, a b, last-print"),
        ('sort = "freed"', 'sort = "placed"',
         ':26: goals.1: a goal that is "placed" needs spans'),
        ('sort = "laid out"', 'sort = "freed"',
         ':31: goals.2: a goal that is "freed" needs addresses'),
        ("arena = [0x802001D0,", "arena = [0x80200200,",
         ": start.builds.a b.blocks: the block at 0x802001E0 lies before the end of what comes "
         "before"),
        ("arena = [0x802001D0, 0x80210000]", "arena = [0x802001D0, 0x80200200]",
         ": start.builds.a b.blocks: the block at 0x802001E0 lies past the arena"),
        ('game = "Tidewright"', 'game = "Tidewright"\ngaem = 1',
         ":4: gaem: unknown key; did you mean game?"),
    ],
)  # fmt: skip
def test_a_fault_is_told_with_file_line_and_what_was_found(
    tmp_path: Path, old: str, new: str, message: str
) -> None:
    text = plan_text(GOOD)
    assert text.count(old) == 1
    path = tmp_path / "t.plan.toml"
    path.write_text(text.replace(old, new), "utf-8")
    with pytest.raises(PlanFileError) as fault:
        load_plan(path)
    assert str(fault.value) == f"{path}{message}"


@pytest.mark.parametrize(
    "model",
    [PlanFile, MadeForTable, GoalTable, BuildStart, StartTable, StepTable, ProofTable, BlockAt],
    ids=lambda model: model.__name__,
)
def test_every_key_describes_itself(model: type[Table]) -> None:
    assert all(field.description for field in model.model_fields.values())
