"""``lowhalf check --dump``: every action of the schema tried on one frame's heap."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from adapters.commands.main import main

SAMPLES = Path(__file__).parents[2] / "sample_dumps"
CARRY = str(SAMPLES / "first-print-carry.bridge.toml")
DUMP = str(SAMPLES / "first-print-carry.bin.gz")
EXPORT = str(SAMPLES / "export-mist-stair.bin.gz")
SCHEMA = SAMPLES.parent / "schemas" / "games" / "tidewright.schema.toml"

Capture = pytest.CaptureFixture[str]


def printed(capsys: Capture, *words: str, code: int = 0) -> str:
    assert main(["check", *words]) == code
    return capsys.readouterr().out if code == 0 else capsys.readouterr().err


def changed(directory: Path, old: str, new: str) -> str:
    """The bridge file beside a schema in which a text is another."""
    schema = SCHEMA.read_text("utf-8")
    assert schema.count(old) == 1
    (directory / "t.schema.toml").write_text(schema.replace(old, new), "utf-8")
    bridge = directory / "t.bridge.toml"
    text = Path(CARRY).read_text("utf-8")
    bridge.write_text(text.replace("../schemas/games/tidewright.schema.toml", "t.schema.toml"))
    assert "t.schema.toml" in bridge.read_text()
    return str(bridge)


def test_each_action_is_shown_with_the_heap_after_it(
    capsys: Capture, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    told = printed(capsys, CARRY, "--dump", DUMP)
    assert "11 watches and 18 actions on 3 builds: all right\n\nframe 151 · build first" in told
    assert "\nroom is 0\n  |crate#####|crate#####|lantern###|gull######|buoy######|...." in told
    assert "\nlantern_door: not possible here: room is 0, needed is 1 or 3\n" in told
    assert (
        "\nrelieve_watch: 60 frames; the newest gull flies up, drops a crate, and another one "
        "comes\n"
        "  released: gull 0x802005A0\n"
        "  handed out: crate 0x802005A0, gull 0x80200940\n"
        "  |crate#####|crate#####|lantern###|crate#####|buoy######|gull######|...........\n"
    ) in told
    assert "\nput_down: 8 frames\n  let go: lantern 0x802003D0\n" in told
    assert "\nclear_mist: 35 frames\n  the heap stays as it is\n" in told
    assert "\nwhistle: 12 frames, 1 input right to the frame; " in told


def test_the_same_as_json_on_another_build(capsys: Capture) -> None:
    given = json.loads(printed(capsys, CARRY, "--dump", EXPORT, "--json"))["simulated"]
    assert (given["build"], given["states"]) == ("export", {"room": 3})
    trials = {trial["action"]: trial for trial in given["actions"]}
    refused = trials["stair_door"]
    assert refused["reason"] == "room is 3, needed is 0 or 2"
    assert (refused["layout"], refused["states"], refused["changes"]) == (None, None, [])
    mist = trials["clear_mist"]
    assert {change["event"] for change in mist["changes"]} == {"released"}
    assert [block["owner"] for block in mist["layout"]] == ["free", "lantern", "free"]
    before = {block["start"]: block["owner"] for block in given["layout"]}
    assert all(before[change["start"]] == change["owner"] for change in mist["changes"])
    assert trials["take_lantern"]["changes"] == [
        {"event": "held", "owner": "lantern", "start": given["layout"][1]["start"]}
    ]


def test_without_a_dump_nothing_is_simulated(capsys: Capture) -> None:
    given = json.loads(printed(capsys, CARRY, "--json"))
    assert (given["actions"], given["simulated"]) == (18, None)
    assert given["watches"][0]["addresses"]["export"] == "0x801C2320"


def test_a_heap_that_contradicts_the_rules_is_told(capsys: Capture, tmp_path: Path) -> None:
    bridge = changed(tmp_path, "least_rest  = 0x20", "least_rest  = 0x20\nsizes = { gull = 0x1F0 }")
    told = printed(capsys, bridge, "--dump", DUMP, code=2)
    assert told == (
        "lowhalf: block 3 at 0x802005A0, a gull, has 0x1D0 bytes, but its kind asks for 0x1F0: "
        "planning stops; lowhalf learn finds what the game does\n"
    )


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        (
            'room = "current_room.index"',
            'room = "current_room.idnex"',
            "state.room: Room has no field idnex; did you mean index? (build first-print)",
        ),
        (
            'room = "current_room.index"',
            'room = "courier.speed"',
            "state.room: courier.speed is a f32, expected a whole number",
        ),
        (
            'room = "current_room.index"',
            'room = "change(current_room.index)"',
            "state.room: change(current_room.index) needs more than one frame; planning starts "
            "from any single one",
        ),
    ],
)
def test_expressions_of_planning_are_checked_without_a_dump(
    capsys: Capture, tmp_path: Path, old: str, new: str, words: str
) -> None:
    told = printed(capsys, changed(tmp_path, old, new), code=2)
    assert words in told.splitlines()[0]


def test_what_a_null_pointer_leaves_unknown_is_told(capsys: Capture, tmp_path: Path) -> None:
    state = 'room = "current_room.index"\nhand = "courier.held.holder.next.step_count"'
    old = 'room = "current_room.index"'
    bridge = changed(tmp_path, old, state.replace(".holder.next", ".next.next.next.next.next"))
    told = printed(capsys, bridge, "--dump", DUMP, code=2)
    assert told.startswith("lowhalf: state.hand of the schema is not known: courier.held.next")
    assert told.endswith(" is null\n")


def test_a_frame_without_a_dump_is_refused(capsys: Capture) -> None:
    told = printed(capsys, CARRY, "--frame", "7", code=2)
    assert told == "lowhalf: --frame is for recordings: give one with --dump\n"


def test_a_schema_without_an_allocator_has_nothing_to_simulate(
    capsys: Capture, tmp_path: Path
) -> None:
    schema = SCHEMA.read_text("utf-8")
    begin, end = schema.index("# -- how blocks are handed out"), schema.index("# -- builds")
    bridge = changed(tmp_path, schema[begin:end], "")
    told = printed(capsys, bridge)
    assert told.endswith("\n11 watches on 3 builds: all right\n")
    told = printed(capsys, bridge, "--dump", DUMP, code=2)
    assert told == (
        f"lowhalf: {tmp_path / 't.schema.toml'}: describes no allocator of [heap]; add "
        "[allocator], as the manual's page on actions shows\n"
    )
    told = printed(capsys, CARRY, "--dump", DUMP, "--heap", "pier", code=2)
    assert told.endswith(
        "describes no allocator of a heap pier; add [heaps.pier.allocator], as "
        "the manual's page on actions shows\n"
    )


def test_a_frame_of_a_recording(capsys: Capture) -> None:
    demo = [str(SAMPLES / "demo.bridge.toml"), "--dump", str(SAMPLES / "demo.mcap"), "--json"]
    states = []
    for frame in ("400", "1000"):
        given = json.loads(printed(capsys, *demo, "--frame", frame))["simulated"]
        assert given["frame"] == int(frame)
        states.append(given["states"]["room"])
    assert states == [0, 1]
