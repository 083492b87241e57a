"""Steps and attempts in the bridge file: every fault, with file, line, key and caret."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest
from jsonschema import Draft202012Validator

from adapters.commands.json_schema import json_schema
from bridge.practice.steps import Step
from bridge.practice.windows import Window
from bridge.prepared import practice_expressions, prepare
from bridge.sampling.practice_rules import Rules
from schemas.bridge_file import WindowTable
from schemas.errors import BridgeFileError
from schemas.loader import Bridge, load_bridge
from tests.bridge.made_practice import BRIDGE, SCHEMA

GOOD = (
    BRIDGE
    + """
[[steps]]
name = "to the corner"
done = "corner"
[[steps]]
name = "turn"
begin = "lamp.oil > 0"
done = "change(turned) > 0"
fail = "fell"
hint = "half a turn"
[attempts]
begins = "room == 1"
succeeds = "door"
given_up = "room == 9"
keep = ["half", "oil"]
file = "practice.sqlite"
"""
)


def load(directory: Path, text: str) -> Bridge:
    (directory / "g.schema.toml").write_text(SCHEMA, "utf-8")
    path = directory / "g.bridge.toml"
    path.write_text(text, "utf-8")
    bridge = load_bridge(path)
    prepare(bridge)
    return bridge


def test_a_whole_file(tmp_path: Path) -> None:
    bridge = load(tmp_path, GOOD)
    assert bridge.attempts_path == tmp_path / "practice.sqlite"
    assert practice_expressions(bridge.file) == {
        "steps.0.done": "corner",
        "steps.1.begin": "lamp.oil > 0",
        "steps.1.done": "change(turned) > 0",
        "steps.1.fail": "fell",
        "attempts.begins": "room == 1",
        "attempts.succeeds": "door",
        "attempts.given_up": "room == 9",
    }
    prepared = prepare(bridge)["print"]
    assert [watch.name for watch in prepared.watches] == ["half", "oil"]
    assert set(prepared.program.watches) == {"half", "oil", *practice_expressions(bridge.file)}


def test_the_file_s_own_name_is_the_default(tmp_path: Path) -> None:
    bridge = load(tmp_path, GOOD.replace('file = "practice.sqlite"', ""))
    assert bridge.attempts_path == tmp_path / "g.attempts.sqlite"
    assert load(tmp_path, BRIDGE).attempts_path == tmp_path / "g.attempts.sqlite"


FAULTS = [
    ('done = "corner"', "", "steps.0.done", "is missing"),
    (
        'done = "corner"',
        'done = ""',
        "steps.0.done",
        'expected a text that is not empty, found ""',
    ),
    (
        'name = "turn"',
        'name = "to the corner"',
        "steps.1.name",
        'two steps are named "to the corner"',
    ),
    ('hint = "half a turn"', 'hnt = "x"', "steps.1.hnt", "unknown key; did you mean hint?"),
    (
        'begins = "room == 1"',
        "",
        "attempts.begins",
        "is missing: it says when an attempt begins; by_hand = true leaves that to the runner",
    ),
    (
        'begins = "room == 1"',
        'begins = ""\nby_hand = true',
        "attempts.begins",
        'expected a text that is not empty, found ""',
    ),
    (
        'keep = ["half", "oil"]',
        'keep = ["haf"]',
        "attempts.keep.0",
        "there is no watch haf; did you mean half?",
    ),
    (
        'keep = ["half", "oil"]',
        'keep = ["half", "half"]',
        "attempts.keep.1",
        "half is kept twice",
    ),
    (
        'done = "corner"',
        'done = "cornr"',
        "steps.0.done",
        "step to the corner (build print): unknown name cornr; did you mean corner?\n"
        "    cornr\n    ^",
    ),
    (
        'fail = "fell"',
        'fail = "fell + name"',
        "steps.1.fail",
        "step turn (build print): is a text, expected a number\n    fell + name\n           ^",
    ),
    (
        'begins = "room == 1"',
        'begins = "name"',
        "attempts.begins",
        "attempts (build print): is a text, expected true or false\n    name\n    ^",
    ),
    (
        'given_up = "room == 9"',
        'given_up = "room ="',
        "attempts.given_up",
        "attempts (build print): is not an expression: invalid syntax\n    room =\n         ^",
    ),
]


@pytest.mark.parametrize(("old", "new", "key", "message"), FAULTS)
def test_a_fault(tmp_path: Path, old: str, new: str, key: str, message: str) -> None:
    assert GOOD.count(old) == 1
    with pytest.raises(BridgeFileError) as caught:
        load(tmp_path, GOOD.replace(old, new))
    fault = caught.value
    assert (fault.key, fault.detail) == (key, message)
    # a key that is missing is told with the line of its table
    table = {"steps": "[[steps]]", "attempts": "[attempts]"}[key.partition(".")[0]]
    line = GOOD.partition(old if new else table)[0].count("\n") + 1
    assert fault.line == line
    assert str(fault).startswith(f"{tmp_path / 'g.bridge.toml'}:{line}: {key}: ")


TIMED = GOOD.replace(
    'hint = "half a turn"\n',
    'hint = "half a turn"\nshow = "half"\nwindow = { after = "room == 2", frames = [11, 14] }\n',
)


def test_a_step_with_a_window(tmp_path: Path) -> None:
    bridge = load(tmp_path, TIMED)
    assert practice_expressions(bridge.file)["steps.1.after"] == "room == 2"
    assert Rules.of(bridge.file).steps == (
        Step("to the corner"),
        Step("turn", "half a turn", True, "half", Window(11, 14)),
    )
    from_begin = Rules.of(load(tmp_path, TIMED.replace("room == 2", " room == 1")).file).steps[1]
    assert (from_begin.window, from_begin.from_begin) == (Window(11, 14), True)


@pytest.mark.parametrize(
    ("old", "new", "key", "message"),
    [
        ('"half"\nw', '"hlaf"\nw', "show", "there is no watch hlaf; did you mean half?"),
        ('after = "room == 2", ', "", "window.after", "is missing"),
        ("[11, 14]", "[14, 11]", "window", "the first frame, 14, is behind the last, 11"),
        ("[11, 14]", "[11]", "window.frames.1", "is missing"),
        ("[11, 14]", "[-1, 14]", "window.frames.0", "expected at least 0, found -1"),
        (
            "14] }",
            '14], befor = "x" }',
            "window.befor",
            "unknown key; known: after, frames",
        ),
        (
            '"room == 2"',
            '"rom == 2"',
            "window.after",
            "step turn (build print): unknown name rom; did you mean room?\n    rom == 2\n    ^",
        ),
        (
            '"room == 2"',
            '"name"',
            "window.after",
            "step turn (build print): is a text, expected true or false\n    name\n    ^",
        ),
    ],
)
def test_a_fault_of_a_window(tmp_path: Path, old: str, new: str, key: str, message: str) -> None:
    assert TIMED.count(old) == 1
    with pytest.raises(BridgeFileError) as caught:
        load(tmp_path, TIMED.replace(old, new))
    fault = caught.value
    assert (fault.key, fault.detail) == (f"steps.1.{key}", message)
    line = TIMED.partition('show = "half"' if key == "show" else "window = ")[0].count("\n") + 1
    assert fault.line == line


def test_attempts_need_a_success(tmp_path: Path) -> None:
    with pytest.raises(BridgeFileError) as caught:
        load(tmp_path, BRIDGE + '[attempts]\nbegins = "room == 1"\n')
    assert caught.value.detail == (
        "expected succeeds, or [[steps]] whose last one done is the success"
    )
    assert caught.value.key == "attempts"


def test_by_hand_alone_needs_no_expression(tmp_path: Path) -> None:
    bridge = load(tmp_path, BRIDGE + "[attempts]\nby_hand = true\n")
    assert practice_expressions(bridge.file) == {}
    assert Rules.of(bridge.file) == Rules(attempts=True)
    with pytest.raises(BridgeFileError) as caught:
        load(tmp_path, BRIDGE + "[attempts]\nby_hand = false\n")
    assert caught.value.key == "attempts.begins"


OLD = GOOD.replace("begins =", "start =").replace("succeeds =", "success =")
OLD = OLD.replace("given_up =", "reset =")


@pytest.mark.parametrize(
    ("text", "key", "detail"),
    [
        (GOOD.replace("begins =", "start ="), "start", "is called begins now"),
        (GOOD.replace("succeeds =", "success ="), "success", "is called succeeds now"),
        (GOOD.replace("given_up =", "reset ="), "reset", "is called given_up now"),
        (
            OLD,
            "start",
            "is called begins now; line 26: success is called succeeds; line 27: reset is called "
            "given_up",
        ),
        (
            OLD.replace('hint = "half', 'hnt = "half').replace("keep = [", "kept = ["),
            "start",
            "is called begins now; line 26: success is called succeeds; line 27: reset is called "
            "given_up (and 2 more faults in this file)",
        ),
        (
            GOOD.replace("begins =", 'begins = "room == 2"\nstart ='),
            "start",
            "is called begins now",
        ),
    ],
    ids=["begins", "succeeds", "given_up", "all three", "with other faults", "both"],
)
def test_a_word_of_before(tmp_path: Path, text: str, key: str, detail: str) -> None:
    with pytest.raises(BridgeFileError) as caught:
        load(tmp_path, text)
    fault = caught.value
    line = text.partition(f"\n{key} =")[0].count("\n") + 2
    assert (fault.key, fault.line, fault.detail) == (f"attempts.{key}", line, detail)
    for number, word in (part.split()[1:3] for part in detail.split("; ") if "line" in part):
        assert text.splitlines()[int(number.rstrip(":")) - 1].startswith(f"{word} = ")


def test_no_watch_can_use_a_step_and_none_is_offered(tmp_path: Path) -> None:
    with pytest.raises(BridgeFileError) as caught:
        load(tmp_path, GOOD.replace('expr = "low(token)"', 'expr = "steps"'))
    assert "steps." not in caught.value.detail


@pytest.mark.parametrize(
    ("old", "new", "right"),
    [
        ("", "", True),
        ('done = "corner"', "", False),
        ('begins = "room == 1"', "", False),
        ("begins =", "start =", False),
        ('begins = "room == 1"', "by_hand = true", True),
        ('begins = "room == 1"', "by_hand = false", False),
        ('keep = ["half", "oil"]', "keep = 5", False),
        ('hint = "half a turn"', 'hnt = "x"', False),
    ],
)
def test_the_json_schema_says_the_same(old: str, new: str, right: bool) -> None:
    document = tomllib.loads(GOOD.replace(old, new, 1))
    faults = list(Draft202012Validator(json_schema("bridge")).iter_errors(document))
    assert (not faults) is right


def test_the_manual_s_examples_load_with_the_demo_s_watches(tmp_path: Path) -> None:
    root = Path(__file__).parents[2]
    pages = [
        (root / "docs" / "how-to" / name).read_text("utf-8") for name in ("practise.md", "tally.md")
    ]
    blocks = [
        block
        for text in pages
        for block in re.findall(r"^```toml\n(.*?)^```$", text, re.M | re.S)
        if block.startswith("[[steps]]") or "tally(" in block
    ]
    assert len(blocks) == 3
    demo = (root / "sample_dumps" / "demo.bridge.toml").read_text("utf-8").partition("[[steps]]")[0]
    demo = demo.replace("../schemas", (root / "schemas").as_posix())
    layout = (root / "sample_dumps" / "demo.layout.toml").as_posix()
    demo = demo.replace('"demo.layout.toml"', f'"{layout}"')
    path = tmp_path / "harbour.bridge.toml"
    path.write_text(demo + "".join(blocks), "utf-8")
    bridge = load_bridge(path)
    for prepared in prepare(bridge).values():
        assert len(prepared.tallies) == 2  # the manual's and the demo's own
    assert bridge.attempts_path.name == "harbour.attempts.sqlite"
    assert bridge.file.steps[2].window == WindowTable(
        after="courier.held.kind == ActorKind.lantern", frames=(11, 14)
    )
    assert practice_expressions(bridge.file)["steps.1.begin"] == "frames_of(courier.held != 0) > 10"
