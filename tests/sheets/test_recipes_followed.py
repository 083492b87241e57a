"""Whoever follows the sheet's recipes on a dump ends with the values that lowhalf reads there.

Source: ``tests/sheets/follower.py``, which reads the dumps by Python's ``struct`` and knows nothing
of lowhalf, held against ``lowhalf read``.
"""

from __future__ import annotations

import json
import random
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest

from adapters.commands.main import main
from tests.sheets.follower import Follower
from tests.sheets.random_formulas import formula

SAMPLES = Path(__file__).parents[2] / "sample_dumps"
SCHEMA = SAMPLES.parent / "schemas" / "games" / "tidewright.schema.toml"
# of one dump the words are reversed, which no console shows
ALL = sorted(
    path.name.removesuffix(".bin.gz")
    for path in SAMPLES.glob("*.bin.gz")
    if "swap" not in path.name
)
SMALL = ["export-carry", "first-print-mist-stair"]

WATCHES = {
    "release": "version",
    "frame": "frame_began",
    "x": "courier.position.x",
    "low_x": "low(courier.position.x)",
    "high_x": "high(courier.position.x)",
    "byte_x": "byte(courier.position.x, 1)",
    "bits_x": "bits(courier.position.x)",
    "longitude": "courier.longitude",
    "low_longitude": "low(courier.longitude)",
    "drift": "courier.drift",
    "age": "courier.age_ticks",
    "layer": "courier.layer",
    "buoyancy": "courier.buoyancy",
    "lean": "courier.lean",
    "hue": "courier.hue",
    "bits_hue": "bits(courier.hue)",
    "mood": "courier.mood",
    "tide": "courier.tide",
    "flags": "courier.flags",
    "visible": "courier.flags.visible",
    "harmless": "courier.flags.harmless",
    "facing": "courier.facing",
    "trim": "courier.trim[2]",
    "sway": "courier.sway[1][2]",
    "parcel": "courier.satchel[5].freshness",
    "wage": "ledger.wage",
    "balance": "ledger.balance",
    "motto": "ledger.motto",
    "room": "current_room.name",
    "weather": "current_room.weather",
    "door": "current_room.doors[1].x",
    "next_room": "current_room.neighbours[1].neighbours[0].name",
    "slot": "current_slot[0].name",
    "last_door": "ledger.last_door[1].x",
    "first_kind": "actor_head.kind",
    "first_low": "low(actor_head.position.z)",
    "first_trim": "actor_head.satchel[6].weight",
    "watched": "courier.watchers[0].trim[3]",
    "here": "room_table[current_room.index].name",
    "tile": "current_room.tiles[courier.room % 4][courier.mood % 6]",
    "in_rooms": "rooms[current_room.index].visits",
    "place": "address(courier.held)",
    "place_of_tile": "address(current_room.tiles[1][current_room.index])",
    "as_buoy": 'at(actor_head, "Buoy").depth',
    "beyond": 'at(address(courier) + 0x2C, "f32")',
    "way": "distance(courier.position, actor_head.position)",
    "flat": "flat_distance(courier.position, actor_head.position)",
    "sum": "courier.position.x + courier.position.y * 2 - courier.position.z / 4",
    "brackets": "(courier.mood + 3) * (courier.room - 2) - (7 - (courier.layer - 1))",
    "power": "-courier.mood ** 2 + 2 ** (courier.mood % 5)",
    "masked": "(courier.id >> 16) & 0xFFFF ^ ~courier.mood | 0x100 << 2",
    "whole": "courier.age_ticks // 7 % 11",
    "turned": "turn(courier.facing, actor_head.facing)",
    "signed_low": "signed(courier.token, 16) + unsigned(courier.drift, 8)",
    "angle": "degrees(courier.facing)",
    "most": "max(abs(courier.position.x), abs(courier.position.z), 3)",
    "rounded": "round(courier.position.x) + floor(courier.position.z) + sqrt(abs(x))",
    "between": "-1 < courier.mood <= 200",
    "is_clear": "current_room.weather == Weather.clear or not courier.flags.visible",
    "named": 'current_room.name == "Lantern Room"',
    "held_kind_or": "courier.held.kind if courier.held != 0 else 0",
    "held_safe": "courier.held != 0 and courier.held.kind == ActorKind.lantern",
    "of_watches": "x * 2 + low_x if visible else age",
    "count": 'len(chain(actor_head, "next"))',
    "kinds": 'len([a for a in chain(actor_head, "next") if a.kind == ActorKind.crate])',
    "ids": 'sum([a.id for a in chain(actor_head, "next")])',
    "far": 'max([distance(a.position, courier.position) for a in chain(actor_head, "next")])',
    "near_one": "min([abs(a.position.x - courier.position.x) + a.room for a in "
    '[b for b in chain(actor_head, "next") if b.layer >= -100] if a.kind != 0])',
    "first_timer": 'first([a.timer for a in chain(actor_head, "next") if a.id > 0])',
    "first_name": 'first([a for a in chain(actor_head, "next") if a.id > 0]).name',
    "next_of_first": 'first(chain(actor_head, "next")).next.kind',
    "held_there": 'len([a for a in chain(actor_head, "next") if address(a) == courier.held])',
    "around": 'len(chain(courier, "next"))',
}
"""Every kind of node that a recipe can tell, on every way to it."""

NEVER = {
    "blocks": "len(blocks())",
    "block_of": "block(courier.held).index",
    "kind_of": "owner(actor_head)",
    "of_each": 'len([a for a in chain(actor_head, "next") if len([b for b in '
    'chain(a.next, "next") if b.id > 0]) > 0])',
}
FRAMES = {"pace": "change(courier.position.x)", "held_frames": "frames_of(courier.held != 0)"}


def bridge(directory: Path, sample: str, watches: Mapping[str, str] | None = None) -> Path:
    tables = "".join(
        f"[[watches]]\nname = {json.dumps(name)}\nexpr = {json.dumps(text)}\n"
        for name, text in (watches or WATCHES | NEVER | FRAMES).items()
    )
    path = directory / f"{sample}.bridge.toml"
    source = f'[source]\nkind = "file"\npath = {json.dumps(str(SAMPLES / f"{sample}.bin.gz"))}\n'
    path.write_text(f"schema = {json.dumps(str(SCHEMA))}\n{source}{tables}", "utf-8")
    return path


def printed(capsys: pytest.CaptureFixture[str], *words: str) -> Any:
    capsys.readouterr()
    assert main([*words, "--json"]) in (0, 1)
    return json.loads(capsys.readouterr().out)


@pytest.mark.parametrize(
    "sample",
    [pytest.param(name, marks=() if name in SMALL else pytest.mark.full) for name in ALL],
)
def test_a_person_who_follows_the_recipes_reads_what_lowhalf_reads(
    sample: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = bridge(tmp_path, sample)
    sheet = printed(capsys, "sheet", str(path))
    frame = printed(capsys, "read", str(path))
    follower = Follower(sheet, frame["build"], SAMPLES / f"{sample}.bin.gz")
    read = {each["watch"]: each for each in frame["readings"]}
    wrong = {}
    followed = 0
    for name in WATCHES:
        if read[name]["status"] == "ok":
            found = follower.value(name)
            followed += 1
            if found != read[name]["value"]:
                wrong[name] = (found, read[name])
    assert not wrong
    # what is not there in one room is there in another
    assert followed >= len(WATCHES) - 12, [n for n in WATCHES if read[n]["status"] != "ok"]


@pytest.mark.parametrize(
    "sample",
    [pytest.param(name, marks=() if name in SMALL[:1] else pytest.mark.full) for name in ALL],
)
def test_the_sample_bridges_too(sample: str, capsys: pytest.CaptureFixture[str]) -> None:
    path = SAMPLES / f"{sample}.bridge.toml"
    sheet = printed(capsys, "sheet", str(path))
    frame = printed(capsys, "read", str(path))
    follower = Follower(sheet, frame["build"], SAMPLES / f"{sample}.bin.gz")
    by_hand = {
        each["name"] for each in sheet["watches"] if each["recipes"][frame["build"]]["by_hand"]
    }
    found = {
        each["watch"]: (follower.value(each["watch"]), each["value"])
        for each in frame["readings"]
        if each["status"] == "ok" and each["watch"] in by_hand
    }
    assert found
    assert {name for name, (ours, theirs) in found.items() if ours != theirs} == set()


def test_what_cannot_be_done_by_hand_says_why(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    sheet = printed(capsys, "sheet", str(bridge(tmp_path, SMALL[0])))
    recipes = {each["name"]: each["recipes"]["export"] for each in sheet["watches"]}
    heap = "it wants a walk over all blocks of the heap"
    told = {name: recipes[name]["reason"] for name in NEVER}
    assert told == {
        "blocks": heap,
        "block_of": heap,
        "kind_of": heap,
        "of_each": "it goes along a list for each element of another",
    }
    assert {name: recipes[name]["over_frames"] for name in FRAMES} == {
        "pace": ["change"],
        "held_frames": ["frames_of"],
    }
    assert all(recipes[name]["by_hand"] for name in WATCHES)
    assert not any(recipes[name]["by_hand"] for name in NEVER | FRAMES)


def test_each_build_has_its_own_numbers(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Addresses and offsets of the schema, taken from its text by eye."""
    sheet = printed(capsys, "sheet", str(bridge(tmp_path, SMALL[0])))
    entry = next(each for each in sheet["watches"] if each["name"] == "next_of_first")
    walks = {build: each["definitions"][0] for build, each in entry["recipes"].items()}
    assert {build: walk["next_add"] for build, walk in walks.items()} == {
        "first-print": 0x140,
        "second-print": 0x140,
        "export": 0x148,
    }
    low = next(each for each in sheet["watches"] if each["name"] == "low_x")
    places = {b: each["definitions"][0]["at"]["add"] for b, each in low["recipes"].items()}
    # courier + position 0x2C + the low half of a big-endian word
    assert places == {
        "first-print": 0x8018_0B60 + 0x2C + 2,
        "second-print": 0x801A_0260 + 0x2C + 2,
        "export": 0x801C_1690 + 0x2C + 2,
    }


@pytest.mark.parametrize(
    ("seed", "count"), [(1, 60), *(pytest.param(n, 400, marks=pytest.mark.full) for n in range(8))]
)
def test_formulas_by_chance(
    seed: int, count: int, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Brackets and their absence mean what they mean to Python, which reckons the formulas."""
    draw = random.Random(seed)
    texts = {f"w{n}": formula(draw) for n in range(count)}
    sample = ALL[seed % len(ALL)]
    path = bridge(tmp_path, sample, texts)
    sheet = printed(capsys, "sheet", str(path))
    frame = printed(capsys, "read", str(path))
    follower = Follower(sheet, frame["build"], SAMPLES / f"{sample}.bin.gz")
    read = {each["watch"]: each["value"] for each in frame["readings"] if each["status"] == "ok"}
    wrong = {}
    for name, value in read.items():
        found = follower.value(name)
        if found != value:
            wrong[name] = (texts[name], found, value)
    assert not wrong
    assert len(read) > count * 0.6
