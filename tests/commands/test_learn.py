"""``lowhalf learn`` on the demo game's own recording, and what it writes.

What the doors of the game do is what its source says (tests/guest/rooms.c).
"""

from __future__ import annotations

import json
import tomllib
from pathlib import Path
from typing import Any

import pytest

from adapters.commands.main import main
from schemas.compiler import load_schema
from schemas.toml_merge import AddedTable, merged

ROOT = Path(__file__).parent.parent.parent
DEMO = ROOT / "sample_dumps" / "demo.mcap"
SCHEMA = ROOT / "schemas" / "games" / "tidewright.schema.toml"
LABELS = """
[learn]
gallery_door = "change(ledger.rooms_entered) > 0 and current_room.index == 1"
harbour_door = "change(ledger.rooms_entered) > 0 and current_room.index == 2"
[learn.stair_door]
when = "change(ledger.rooms_entered) > 0 and current_room.index == 3"
spread = 2
"""
SPAWNS = {
    "gallery_door": ["crate", "crate"],
    "harbour_door": ["buoy", "buoy", "gull", "crate"],
    "stair_door": ["mist_puff", "lantern", "mist_puff", "mist_puff"],
}
"""What rooms.c spawns, in its order."""


def bridge(folder: Path, labels: str = LABELS, schema: Path = SCHEMA) -> str:
    path = folder / "learn.bridge.toml"
    path.write_text(
        f"schema = '{schema}'\n[source]\nkind = 'recording'\npath = '{DEMO}'\n"
        "[sampling]\nframe = 'frame_began'\n"
        "guard = { began = 'frame_began', ended = 'frame_ended' }\n" + labels,
        "utf-8",
    )
    return str(path)


def spawned(effects: list[dict[str, Any]]) -> list[str]:
    return [e["alloc"] for e in effects if "alloc" in e for _ in range(e.get("count", 1))]


def without_tables(schema: Path, folder: Path) -> Path:
    """The game's schema without what it says of planning."""
    lines: list[str] = []
    skipping = False
    for line in schema.read_text("utf-8").splitlines():
        if line.startswith("["):
            skipping = line.startswith(("[allocator", "[actions", "[state"))
        if not skipping:
            lines.append(line)
    path = folder / "bare.schema.toml"
    path.write_text("\n".join(lines) + "\n", "utf-8")
    return path


def test_the_doors_of_the_demo(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Learned from a schema that says nothing of planning but one action, and added to it."""
    mine = without_tables(SCHEMA, tmp_path)
    hand = '\n[actions.gallery_door]\nframes = 95 # by hand\neffects = [{ alloc = "gull" }]\n'
    before = mine.read_text("utf-8") + hand
    mine.write_text(before, "utf-8")
    file = bridge(tmp_path, schema=mine)
    assert main(["learn", file, "--recording", str(DEMO), "--json", "--write", str(mine)]) == 1
    output = capsys.readouterr()
    line, *told = output.out.splitlines()
    learned = json.loads(line)
    assert learned["builds"]["first-print"]["header"] == 0x10
    assert learned["builds"]["first-print"]["alignment"] == [16, 16]
    sizes = learned["builds"]["first-print"]["sizes"]
    assert (sizes["gull"], sizes["mist_puff"]) == (0x1D0, 0x230)
    actions = {action["action"]: action for action in learned["actions"]}
    assert set(actions) == set(SPAWNS)
    for name, spawns in SPAWNS.items():
        ways = actions[name]["effects"]
        assert spawns in [spawned(way) for way in ways], name
        assert all(way[0]["which"] == "all" for way in ways)
        assert [frame["recording"] for frame in actions[name]["frames"]] == [
            "demo.mcap" for _ in range(actions[name]["done"])
        ]
    assert actions["gallery_door"]["done"] == 2
    true = {"fit": "first", "order": "address", "tried_from": "low", "carved_from": "low"}
    rest = {"merge": "both", "keeps_last": False}
    assert any({**true, **rest}.items() <= model.items() for model in learned["models"])
    assert {event["owner"] for event in learned["unlabelled"]} >= {"gull", "mist_puff"}

    # nothing that stood there is changed, and what differs is told
    text = mine.read_text("utf-8")
    assert text.startswith(before)
    assert "# seen in demo.mcap, frame 1461" in text
    assert told == [f"added to {mine}: allocator, actions.harbour_door, actions.stair_door"]
    assert "actions.gallery_door.effects stays as it stands" in output.err
    tables = tomllib.loads(text)
    assert tables["allocator"]["fit"] == "first"
    # it loads, and says what was learned
    loaded = load_schema(mine).file.actions
    assert loaded["gallery_door"].frames == 95
    for name in ("harbour_door", "stair_door"):
        told_effects = [_as_loaded(effect) for effect in tables["actions"][name]["effects"]]
        assert spawned(told_effects) == SPAWNS[name]
        effects = loaded[name].effects
        assert [effect.model_dump(exclude_unset=True) for effect in effects] == told_effects


def test_an_action_whose_effects_are_yet_to_be_learned_contradicts_nothing(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    mine = without_tables(SCHEMA, tmp_path)
    tables = (
        "\n[allocator]\nheader = 0x10\nalignment = 16\nleast_rest = 0x20\n"
        "[actions.gallery_door]\nframes = 95\n"
        "[actions.harbour_door]\nframes = 140\neffects = []\n"
    )
    mine.write_text(mine.read_text("utf-8") + tables, "utf-8")
    main(["learn", bridge(tmp_path, schema=mine), "--recording", str(DEMO), "--json"])
    (told,) = json.loads(capsys.readouterr().out)["disagreements"]
    assert told.startswith("harbour_door is [] in the schema")


def _as_loaded(effect: dict[str, Any]) -> dict[str, Any]:
    """Kinds are a tuple once they are loaded."""
    free = effect.get("free")
    if free is None:
        return effect
    return {**effect, "free": (free,) if isinstance(free, str) else tuple(free)}


def test_what_was_done_by_an_input_log(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    log = tmp_path / "inputs.csv"
    log.write_text("frame,action\n960,gallery_door\n1400,gallery_door\n1020,gull\n", "utf-8")
    """Of a heap that has a name, whose tables stand under it."""
    named = without_tables(SCHEMA, tmp_path)
    text = named.read_text("utf-8").replace("\n[heap", "\n[heaps.things")
    named.write_text(text, "utf-8")
    made = tmp_path / "made.toml"
    file = bridge(tmp_path, "", schema=named)
    words = ["learn", file, "--recording", str(DEMO), "--inputs", str(log), "--heap", "things"]
    assert main([*words, "--spread", "1", "--json", "--write", str(made)]) == 0
    line, told = capsys.readouterr().out.splitlines()
    actions = {a["action"]: a for a in json.loads(line)["actions"]}
    assert told == f"written to {made}, which is new"
    tables = tomllib.loads(made.read_text("utf-8"))
    assert set(tables["actions"]) == {"gallery_door", "gull"}
    assert tables["actions"]["gull"]["effects"] == [{"alloc": "gull", "heap": "things"}]
    assert tables["heaps"]["things"]["allocator"]["fit"] == "first"
    named.write_text(text + made.read_text("utf-8"), "utf-8")
    assert set(load_schema(named).builds["export"].allocators) == {"things"}
    assert set(actions) == {"gallery_door", "gull"}
    assert spawned(actions["gallery_door"]["effects"][0]) == ["crate", "crate"]
    assert actions["gull"]["effects"] == [[{"alloc": "gull"}]]
    assert actions["gull"]["least"] == 60


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("when,what\n1,door\n", "line 1: expected a head with frame and action, found when, what"),
        ("frame,action\nx,door\n", 'line 2: expected a frame\'s number, found "x"'),
        ("frame,action\n5,a door\n", "line 2: expected an action's name, letters, digits and _"),
        ("frame,action\n5,door\n", "has none of the frames 5 to 5 that its input log names"),
    ],
)
def test_an_input_log_that_is_wrong(
    text: str, said: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    log = tmp_path / "inputs.csv"
    log.write_text(text, "utf-8")
    words = ["learn", bridge(tmp_path, ""), "--recording", str(DEMO), "--inputs", str(log)]
    assert main(words) in (2, 3)
    assert said in capsys.readouterr().err


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ([], "expected --recording with the recordings to learn from"),
        (["--recording", "DEMO", "DEMO", "--inputs", "LOG"], "expected an input log for each of 2"),
        (["--recording", "DEMO", "--seconds", "0"], "--seconds: expected more than 0, found 0"),
        (["--recording", "DEMO", "--actions", "0"], "--actions: expected 1 to 64, found 0"),
        (["--recording", "none.mcap"], "none.mcap"),
        (["--recording", "DEMO", "--heap", "x"], "--heap: there is no heap x"),
    ],
)
def test_what_is_refused(
    words: list[str], said: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "log.csv").write_text("frame,action\n", "utf-8")
    there = {"DEMO": str(DEMO), "LOG": str(tmp_path / "log.csv")}
    assert main(["learn", bridge(tmp_path), *(there.get(each, each) for each in words)]) in (2, 3)
    assert said in capsys.readouterr().err


def test_next_writes_nothing(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    words = ["learn", "next", bridge(tmp_path), "--recording", str(DEMO)]
    assert main([*words, "--write", str(tmp_path / "x.toml")]) == 2
    assert "next writes nothing; leave --write out" in capsys.readouterr().err


def test_tables_are_added_without_changing_a_line() -> None:
    text = "# mine\n[allocator] # as measured\nfit = 'best'\n\n[game]\nname = 'x' # y\n"
    tables = [
        AddedTable(
            ("allocator",),
            ("# seen",),
            (("fit", "first", 'fit = "first"'), ("header", 16, "header = 16  # h")),
        ),
        AddedTable(("game",), (), (("name", "x", 'name = "x"'),)),
        AddedTable(("actions", "door"), ("# seen in a",), (("frames", 3, "frames = 3"),)),
    ]
    found = merged(text, tables)
    assert found.text == (
        "# mine\n[allocator] # as measured\nfit = 'best'\nheader = 16  # h\n\n[game]\n"
        "name = 'x' # y\n\n# seen in a\n[actions.door]\nframes = 3\n"
    )
    assert found.added == ("allocator.header", "actions.door")
    assert found.kept == ("game.name",)
    assert found.conflicts == (("allocator.fit", "best", "first"),)
    again = merged(found.text, tables)
    assert (again.text, again.added) == (found.text, ())
    inline = merged("allocator = { fit = 'best' }\n", tables[:1])
    assert inline.text == "allocator = { fit = 'best' }\n"
    assert inline.conflicts[1] == ("allocator.header", None, 16)
