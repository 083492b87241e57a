"""``lowhalf plan`` on the demo game's dumps: what is wanted, from where, on which builds.

That plans do what they say is held against the running game in tests/outside.
"""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import pytest

from adapters.commands.main import main
from adapters.planning.engines import engine_here
from schemas.plan_file import load_plan, plan_text

ROOT = Path(__file__).parents[2]
DUMPS = ROOT / "sample_dumps"
HOLD = str(DUMPS / "first-print-stale-hold.bridge.toml")
HELD = 0x8020_03D0  # where courier.held points on first-print, as lowhalf read has it
BUILDS = ("first-print", "second-print", "export")
Capture = pytest.CaptureFixture[str]


def dump(build: str, moment: str) -> str:
    return str(DUMPS / f"{build}-{moment}.bin.gz")


def run(capsys: Capture, *words: str) -> tuple[int, list[str], str]:
    capsys.readouterr()
    code = main(["plan", *words])
    done = capsys.readouterr()
    # where the compiled engine does not run, that is told, and all else is the same
    slow = engine_here().why
    return code, done.out.splitlines(), done.err.replace(f"lowhalf: {slow}\n", "")


def planned(capsys: Capture, *words: str) -> dict[str, Any]:
    """What ``--json`` prints."""
    code, lines, _ = run(capsys, *words, "--json")
    (line,) = lines
    found: dict[str, Any] = json.loads(line)
    assert code == {"cheapest": 0, "cut short": 4}.get(found["verdict"], 1)
    return found


def walked(capsys: Capture, path: str) -> list[dict[str, Any]]:
    """The blocks of a dump as ``lowhalf heap`` has them."""
    capsys.readouterr()
    assert main(["heap", HOLD, "--dump", path, "--json"]) == 0
    keys = ("start", "size", "used", "owner")
    blocks = json.loads(capsys.readouterr().out)["blocks"]
    return [{key: block[key] for key in keys} for block in blocks]


def actions(found: dict[str, Any]) -> list[str]:
    return [step["action"] for step in found["steps"]]


def test_the_form_that_other_checks_rely_on(capsys: Capture) -> None:
    found = planned(capsys, HOLD, "--want", "gull", "--at", "courier.held")
    assert list(found)[:6] == ["found", "proved", "frames", "floor", "steps", "reason"]
    assert (found["found"], found["proved"], found["frames"], found["floor"]) == (
        True,
        True,
        12,
        12,
    )
    (step,) = found["steps"]
    assert list(step)[:3] == ["action", "frames", "layout"]
    assert (step["action"], step["frames"]) == ("whistle", 12)
    # what the game does then: it is in the dump of the same script a little later, where it did it
    assert step["layout"] == {"first-print": walked(capsys, dump("first-print", "stale-reuse"))}
    assert found["start"] == {"first-print": walked(capsys, dump("first-print", "stale-hold"))}
    assert [(each["frames"], each["precise"]) for each in found["front"]] == [(40, 0), (12, 1)]


@pytest.mark.parametrize(
    ("moment", "builds"),
    [
        ("carry", BUILDS),
        ("stale-hold", BUILDS),
        ("stale-reuse", BUILDS),
        ("mist-stair", ("first-print", "export")),
    ],
)
def test_what_is_derived_for_other_builds_is_what_these_have(
    moment: str, builds: tuple[str, ...], capsys: Capture
) -> None:
    words = ["--cover", "0x80200010", "--builds", ",".join(builds)]
    found = planned(capsys, HOLD, "--dump", dump(builds[0], moment), *words)
    # outside reference: the running games of the same moment of the script
    real = {build: walked(capsys, dump(build, moment)) for build in builds}
    assert found["start"] == real


def test_dumps_of_several_builds_are_starts_themselves(capsys: Capture) -> None:
    dumps = [word for build in BUILDS for word in ("--dump", dump(build, "stale-hold"))]
    words = [HOLD, *dumps, "--want", "crate", "--at", "courier.held"]
    found = planned(capsys, *words)
    assert found["builds"] == list(BUILDS)
    assert found == planned(capsys, HOLD, *words[-4:], "--builds", "all")
    code, _, told = run(capsys, *words, "--dump", dump("export", "stale-hold"))
    assert code == 2
    assert told == (
        "lowhalf: file export-stale-hold.bin.gz, frame 501 is of export, as is file "
        "export-stale-hold.bin.gz, frame 501: give one dump a build\n"
    )


# what is wanted: the words, then the actions and on which payload a block of which owner lies
GOALS = [
    (["--want", "gull", "--at", "courier.held", "--precise", "0"], ["call_gull"], HELD, "gull"),
    (["--want", "buoy", "--at", "0x80200010"], ["break_crate", "moor_buoy"], 0x8020_0010, "buoy"),
    (["--want", "gull", "--cover", f"{HELD + 0x123:#x}"], ["whistle"], HELD, "gull"),
    (["--cover", "courier.held", "--avoid", "whistle"], ["drop_crate"], HELD, "crate"),
    (["--free", "0x80200010"], ["break_crate"], 0x8020_0010, "free"),
    # both pairs hold in the end
    (["--want", "gull", "--at", "courier.held", "--want", "buoy", "--at", "0x80200010"],
     ["break_crate", "moor_buoy", "whistle"], HELD, "gull"),
    # a gull's altitude is at 0x1BC, a crate's mass at 0x1A0: the one over the other
    (["--put", "gull.altitude", "--under", f"{HELD + 0x1BC:#x}"], ["whistle"], HELD, "gull"),
    (["--put", "crate.mass", "--under", 'at(courier.held, "Lantern").fuel'],
     ["drop_crate"], HELD, "crate"),
    # the first crate's place must be free of all blocks in the end
    (["--want", "gull", "--at", "courier.held", "--avoid", "0x80200020"],
     ["whistle", "break_crate"], HELD, "gull"),
]  # fmt: skip


@pytest.mark.parametrize(("words", "expected", "start", "owner"), GOALS)
def test_what_can_be_wanted(
    words: list[str], expected: list[str], start: int, owner: str, capsys: Capture
) -> None:
    found = planned(capsys, HOLD, *words)
    assert sorted(actions(found)) == sorted(expected)
    (layout,) = found["steps"][-1]["layout"].values()
    assert [block["owner"] for block in layout if block["start"] == start] == [owner]


def test_a_layout_is_wanted_and_others_builds_have_their_own_sizes(
    capsys: Capture, tmp_path: Path
) -> None:
    path = tmp_path / "good.layout.toml"
    path.write_text(
        'game = "Tidewright"\nbuild = "first-print"\nblocks = [\n'
        '    { owner = "any", size = "any" },\n    { owner = "crate", size = 0x1D0 },\n'
        '    { owner = "buoy", size = 0x1B0 },\n    { owner = "the rest" },\n]\n',
        "utf-8",
    )
    found = planned(capsys, HOLD, "--layout", str(path), "--builds", "all")
    assert actions(found) == ["moor_buoy"]
    export = found["steps"][-1]["layout"]["export"]
    assert [(block["owner"], block["size"]) for block in export][:3] == [
        ("crate", 0x1D0),
        ("crate", 0x1D0),
        ("buoy", 0x1C0),
    ]


def test_a_layout_is_a_start(capsys: Capture) -> None:
    start = str(DUMPS / "demo.layout.toml")
    words = [HOLD, "--from", start, "--state", "room=0", "--want", "buoy", "--at", "0x802005B0"]
    found = planned(capsys, *words)
    laid = [block["owner"] for block in found["start"]["first-print"]]
    assert laid == ["crate", "crate", "gull", "free"]
    assert actions(found) == ["moor_buoy"]
    code, _, told = run(capsys, *words, "--dump", dump("export", "carry"))
    assert (code, told) == (2, "lowhalf: --from and --dump are two starts: give one\n")


def test_a_frame_of_a_recording_is_a_start(capsys: Capture) -> None:
    words = ["--dump", str(DUMPS / "demo.mcap"), "--frame", "700", "--cover", "0x80200010"]
    code, lines, _ = run(capsys, HOLD, *words)
    assert code == 0
    assert lines[4].startswith("first-print: recording demo.mcap, frame 700; room is ")


def test_a_kept_plan_is_read_back_equal_and_starts_another(capsys: Capture, tmp_path: Path) -> None:
    path = tmp_path / "reuse.plan.toml"
    words = [HOLD, "--want", "gull", "--at", "courier.held", "--builds", "all"]
    code, lines, told = run(capsys, *words, "--save", str(path))
    assert (code, told) == (0, f"lowhalf: kept in {path}\n")
    plan = load_plan(path)
    assert plan_text(plan) == path.read_text("utf-8")
    assert plan.start.builds["export"].taken_from == "derived from first-print, not read"
    assert plan.goals[0].given == "--want gull --at courier.held"
    assert plan.goals[0].spans["export"] == (0x8024_03D0, 0x8024_03D0)
    assert [step.action for step in plan.steps] == ["whistle"]
    assert (plan.frames, plan.precise, plan.proof.verdict) == (12, 1, "cheapest")
    # drawn from the file it is what was printed
    code, shown, _ = run(capsys, "show", str(path))
    assert (code, shown) == (0, lines[: len(shown)])
    further = lines[len(shown)]
    assert further == "by how many inputs must be right to the frame:"
    # it is not replaced, unless that is wanted
    code, _, told = run(capsys, *words, "--save", str(path))
    assert (code, told) == (2, f"lowhalf: {path}: is there already; --force replaces it\n")
    assert run(capsys, *words, "--save", str(path), "--force")[0] == 0
    # the same start again, from the file
    found = planned(capsys, HOLD, "--from", str(path), "--want", "gull", "--at", f"{HELD:#x}")
    assert found["start"] == planned(capsys, *words)["start"]
    assert found["frames"] == 12


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ('game = "Tidewright"', 'game = "Tideworn"', 'is of "Tideworn", expected "Tidewright"'),
        ("first-print = \"", "first-print = \"0",
         "it was made for another [allocator] or other sizes of first-print"),
        ("states = { room = 1 }", "states = { tide = 1 }",
         "has the states tide, the schema has room: it was made for another schema"),
        ('precise = 1\n', 'precise = 1\nheap = "pool"\n',
         "is a plan in pool, expected one in [heap]; --heap names another"),
        ("start = 0x80200010", "start = 0x80200000",
         "the block at 0x80200000 is outside the arena"),
    ],
)  # fmt: skip
def test_a_plan_of_something_else_is_no_start(
    old: str, new: str, message: str, capsys: Capture, tmp_path: Path
) -> None:
    path = tmp_path / "other.plan.toml"
    words = [HOLD, "--want", "gull", "--at", f"{HELD:#x}"]
    assert run(capsys, *words, "--save", str(path))[0] == 0
    text = path.read_text("utf-8")
    assert old in text
    path.write_text(text.replace(old, new, 1), "utf-8")
    code, _, told = run(capsys, *words, "--from", str(path))
    assert (code, told) == (2, f"lowhalf: {path}: {message}\n")


def test_no_one_plan_for_all_builds(capsys: Capture, tmp_path: Path) -> None:
    """0x3A0 bytes are a gull and a buoy on first-print, and two buoys on export."""
    path = tmp_path / "apart.plan.toml"
    dumps = [
        word
        for build in ("first-print", "export")
        for word in ("--dump", dump(build, "stale-hold"))
    ]
    words = [HOLD, *dumps, "--want", "gull", "--at", "courier.held + 0x3A0", "--frames", "100"]
    code, lines, told = run(capsys, *words, "--save", str(path))
    assert code == 1
    assert lines[0] == (
        "no one plan is for first-print, export: none within the bound: there is no plan of at "
        "most 100 frames"
    )
    assert re.fullmatch(
        r"they differ from step [123] on: .* on first-print, .* on export", lines[1]
    )
    found = planned(capsys, *words)
    nothing = (found["found"], found["proved"], found["steps"], found["frames"])
    assert nothing == (False, True, [], None)
    # the gull that is wanted comes last; in which order the others come makes no difference
    assert {build: sorted(actions(alone)) for build, alone in found["by_build"].items()} == {
        "first-print": ["moor_buoy", "whistle", "whistle"],
        "export": ["moor_buoy", "moor_buoy", "whistle"],
    }
    for build, alone in found["by_build"].items():
        kept = tmp_path / f"apart.{build}.plan.toml"
        assert f"lowhalf: kept in {kept}" in told.splitlines()
        assert [step.action for step in load_plan(kept).steps] == actions(alone)


@pytest.mark.parametrize(
    ("words", "code", "told"),
    [
        (["--want", "gull", "--at", "0x802003D4"], 1,
         "impossible: no block starts at 0x802003D4"),
        (["--cover", "0x80200005"], 1,
         "impossible: no payload can hold 0x80200005: they lie from 0x80200010 to 0x8020FFFF"),
        (["--want", "gull", "--at", "courier.held", "--frames", "11"], 1,
         "none within the bound: there is no plan of at most 11 frames"),
        (["--want", "mist_puff", "--at", "0x80203010", "--want", "crate", "--at", "0x80200010",
          "--seconds", "0.01"], 4, "cut short: 0.01 s were over"),
    ],
)  # fmt: skip
def test_what_is_told_where_there_is_no_plan(
    words: list[str], code: int, told: str, capsys: Capture
) -> None:
    found, lines, _ = run(capsys, HOLD, *words)
    assert found == code
    assert lines[0].startswith(told)


WRONG: list[tuple[list[str], str]] = [
    ([], "nothing is wanted: give --want KIND --at EXPR, --put KIND.FIELD --under EXPR, --cover, "
     "--free or --layout"),
    (["--want", "gull"], "--want gull: expected --at or --cover behind it"),
    (["--want", "gull", "--free", "1"],
     "--want gull: expected --at or --cover behind it, found --free"),
    (["--at", "courier.held"], "--at courier.held: expected --want KIND before it"),
    (["--under", "courier.held"], "--under courier.held: expected --put KIND.FIELD before it"),
    (["--put", "gull", "--under", "courier.held"],
     "--put gull: expected KIND.FIELD, such as gull.altitude"),
    (["--want", "gul", "--at", "courier.held"],
     "the schema has no size of a kind gul; did you mean gull?"),
    (["--put", "gull.altitud", "--under", "courier.held.timer"],
     "gull.altitud: Gull has no field altitud; did you mean altitude?"),
    (["--cover", "courier.held", "--avoid", "whistl"],
     "--avoid whistl: the schema has no action whistl; did you mean whistle?"),
    (["--cover", "courier.hold"],
     "Actor has no field hold; did you mean holder?\n    courier.hold\n    ^"),
    (["--cover", "0x80100000"],
     "--cover 0x80100000: 0x80100000 is outside the heap of first-print, which is from 0x80200000 "
     "to 0x8020FFFF"),
    (["--cover", "courier.previous"],
     "--cover courier.previous: it is null on first-print, so it leads nowhere"),
    (["--cover", "courier.previous.timer"],
     "--cover courier.previous.timer: courier.previous is null"),
    (["--cover", "courier.held", "--builds", "third-print"],
     "the schema has no build third-print; did you mean first-print?"),
    (["--cover", "courier.held", "--build", "exprt"],
     "the schema has no build exprt; did you mean export?"),
    (["--cover", "courier.held", "--builds", "export"],
     "--builds export: what was read is first-print, none of these"),
    (["--cover", "courier.held", "--state", "room=1"],
     "--state goes with --from; a source has the states itself"),
    (["--cover", "courier.held", "--seconds", "0"],
     "--seconds: expected more than 0, found 0"),
    (["--cover", "courier.held", "--memory", "1 KiB"],
     "--memory: expected at least 1 MiB, found 1024 bytes"),
    (["--cover", "courier.held", "--frames", "1000000000"],
     "argument --frames: expected 0 to 1000000, found 1000000000"),
    (["--from", "LAYOUT", "--cover", "0x80200010"],
     "LAYOUT: a layout has no states: give --state room=N"),
    (["--from", "LAYOUT", "--state", "rom=1", "--cover", "0x80200010"],
     "--state rom=1: the schema has no state rom; did you mean room?"),
    (["--from", "LAYOUT", "--state", "room=x", "--cover", "0x80200010"],
     "--state room=x: expected room=N, a whole number"),
    (["--from", "LAYOUT", "--state", "room=1", "--cover", "courier.held"],
     "--cover courier.held: courier.held is in the game's memory, which a file does not hold: give "
     "an address, or --dump in place of --from"),
]  # fmt: skip


@pytest.mark.parametrize(("words", "message"), WRONG)
def test_what_is_wrong_is_told(words: list[str], message: str, capsys: Capture) -> None:
    layout = str(DUMPS / "demo.layout.toml")
    given = [layout if word == "LAYOUT" else word for word in words]
    capsys.readouterr()
    try:
        code = main(["plan", HOLD, *given])
    except SystemExit as end:
        code = int(str(end.code))
    done = capsys.readouterr()
    assert (code, done.out) == (2, "")
    assert done.err.endswith(message.replace("LAYOUT", layout) + "\n")


def test_a_second_bridge_file_is_one_too_many(capsys: Capture) -> None:
    capsys.readouterr()
    assert main(["plan", HOLD, HOLD, "--cover", "courier.held"]) == 2
    assert capsys.readouterr().err == "lowhalf: expected one bridge file, found 2\n"


def test_a_heap_that_contradicts_the_model_is_no_start(capsys: Capture, tmp_path: Path) -> None:
    """As a game's would that does not join what is released with the hole before it."""
    path = tmp_path / "two.layout.toml"
    path.write_text(
        'game = "Tidewright"\nbuild = "first-print"\nblocks = [\n'
        '    { owner = "crate", size = 0x1D0 },\n    { owner = "free", size = 0x1D0 },\n'
        '    { owner = "free", size = 0xFC30 },\n]\n',
        "utf-8",
    )
    words = ["--from", str(path), "--state", "room=1", "--cover", "0x80200010"]
    code, lines, told = run(capsys, HOLD, *words)
    assert (code, lines) == (2, [])
    assert "free blocks 1 and 2 touch, but merge is both" in told
    assert "planning stops" in told


@pytest.mark.parametrize(
    ("block", "message"),
    [
        ('{ owner = "any", size = 8 }',
         'block 1 is "any" of any size, and a plan starts from one heap: give all blocks'),
        ('{ owner = "gull", size = "any" }',
         'block 1 is "gull" of any size, and a plan starts from one heap: give all blocks'),
        ('{ owner = "the rest" }',
         'block 1 is "the rest" of any size, and a plan starts from one heap: give all blocks'),
    ],
)  # fmt: skip
def test_a_layout_that_leaves_something_open_is_no_start(
    block: str, message: str, capsys: Capture, tmp_path: Path
) -> None:
    path = tmp_path / "open.layout.toml"
    path.write_text(
        f'game = "Tidewright"\nbuild = "first-print"\nblocks = [\n'
        f'    {{ owner = "crate", size = 0x1D0 }},\n    {block},\n]\n',
        "utf-8",
    )
    words = ["--from", str(path), "--state", "room=1", "--cover", "0x80200010"]
    code, _, told = run(capsys, HOLD, *words)
    assert (code, told) == (2, f"lowhalf: {path}: {message}\n")


def test_what_is_not_known_of_ages_is_told_beside_the_plan(capsys: Capture) -> None:
    words = ["--from", str(DUMPS / "demo.layout.toml"), "--state", "room=1"]
    code, _, told = run(capsys, HOLD, *words, "--cover", "0x80200010")
    assert code == 0
    assert re.search(
        r"break_crate: which crate is the oldest is not known: a layout tells no ages; it is not "
        r"planned with where that decides",
        told,
    )


def test_the_manuals_example_is_what_is_printed(
    capsys: Capture, monkeypatch: pytest.MonkeyPatch
) -> None:
    page = (ROOT / "docs" / "how-to" / "find-the-set-up.md").read_text("utf-8")
    (block,) = re.findall(r"^```console\n\$ lowhalf plan (.*?)\n(.*?)^```$", page, re.M | re.S)
    monkeypatch.chdir(ROOT)
    monkeypatch.setenv("COLUMNS", "80")
    code, lines, told = run(capsys, *block[0].split())
    assert (code, told) == (0, "")
    assert "\n".join(lines).rstrip() == block[1].rstrip()
