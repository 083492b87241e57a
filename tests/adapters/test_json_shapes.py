"""All JSON that is given out is as ``lowhalf json-schema`` says: no key less, and none beside.

Checked by jsonschema, an implementation of JSON Schema (draft 2020-12) that is not ours.
"""

from __future__ import annotations

import io
import json
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator

from adapters.commands.json_schema import FORM_NAMES, json_schema
from adapters.commands.main import main
from adapters.json_forms.attempts import attempts_json
from adapters.json_forms.shapes import FORMS
from adapters.outputs.mqtt.homie_practice import event_payload
from bridge.practice.attempts import Attempt, Outcome
from lowhalf import frames, load_bridge

SAMPLES = Path(__file__).parents[2] / "sample_dumps"
CARRY = str(SAMPLES / "first-print-carry.bridge.toml")
REUSE = str(SAMPLES / "first-print-stale-reuse.bridge.toml")
DEMO = str(SAMPLES / "demo.bridge.toml")
RECORDED = str(SAMPLES / "demo.mcap")
EXPORT = str(SAMPLES / "export-carry.bin.gz")
MOVES = str(SAMPLES.parent / "schemas" / "games" / "tidewright.schema.toml")

WALK = ("solve", "walk", "--moves", MOVES, "--from", "1,2,3", "--facing", "0")
GIVEN: dict[str, list[tuple[str, ...]]] = {
    "frame": [
        ("read", REUSE, "--json"),
        ("read", CARRY, "--json", "--dump", EXPORT, "--dump", str(SAMPLES / "demo.mcap")),
    ],
    "explain": [
        ("explain", CARRY, "held_x_low", "--json"),
        ("explain", REUSE, "max([a.timer for a in chain(actor_head, 'next')])", "--json"),
        ("explain", CARRY, "block(courier.held).index", "--json"),
    ],
    "heap": [
        ("heap", REUSE, "--json"),
        ("heap", CARRY, "--json", "--dump", EXPORT, "--dump", EXPORT),
    ],
    "heap-event": [("events", RECORDED, "--json")],
    "heap-events-compared": [("events", RECORDED, RECORDED, "--json")],
    "layout": [("layout", "compare", REUSE, "LAYOUT", "--json")],
    "where": [
        ("where", REUSE, "0x802003FE", "--json"),
        ("where", REUSE, "0x80180B60", "--json"),
        ("where", REUSE, "0x80000000", "--json"),
    ],
    "half": [
        ("solve", "half", "--want", "0x2B6D", "--from", "29", "--to", "30", "--json"),
        ("solve", "half", "--want", "1", "--from", "29", "--to", "30", "--near", "29.5", "--json"),
        ("solve", "half", "--want", "1", "--from", "1", "--to", "1", "--near", "1", "--json"),
    ],
    "turn": [
        ("solve", "turn", "--from", "0x2AAB", "--to", "0x8000", "--moves", MOVES, "--json"),
        ("solve", "turn", "--from", "0", "--to", "1", "--moves", "QUARTER", "--json"),
    ],
    "walk": [
        ("solve", "walk", "--bridge", CARRY, "--want-low", "0x2B6D", "--others", "1", "--json"),
        (*WALK, "--want-exact", "90000", "--within-moves", "2", "--json"),
    ],
    "hex": [("solve", "hex", "0x8021FFF8", "0x138", "-0x10", "--json")],
    "write": [
        ("solve", "write", REUSE, "courier.held.position.x", "--want", "0x2B6D", "--json"),
        ("solve", "write", CARRY, "courier.held.position.x", "--want", "0x2B6D", "--json"),
    ],
    "tallies": [("tally", DEMO, "--json")],
    "verify": [("verify", "EXPECT", "--json")],
    "compare": [
        ("compare", EXPORT, str(SAMPLES / "export-stale-hold.bin.gz"), "--bridge", CARRY, "--json"),
        ("compare", RECORDED, RECORDED, "--bridge", CARRY, "--align", "frame == 99", "--json"),
    ],
    "query": [
        ("query", RECORDED, "--bridge", DEMO, "--frame", "700", "--json"),
        ("query", RECORDED, RECORDED, "--watch", "courier.held.kind", "--frame", "700", "--json"),
    ],
    "plan": [
        ("plan", CARRY, "--want", "gull", "--at", "0x802003D0", "--others", "1", "--json"),
        ("plan", CARRY, "--want", "gull", "--at", "0x802003D1", "--builds", "all", "--json"),
    ],
    "learn": [("learn", DEMO, "--recording", RECORDED, "--json")],
    "learn-next": [
        ("learn", "next", DEMO, "--recording", RECORDED, "--actions", "1", "--json"),
    ],
    "sheet": [
        ("sheet", CARRY, "--json"),
        ("sheet", DEMO, "--json", "--build", "export"),
    ],
    "by-hand": [
        ("by-hand", CARRY, "--json"),
        ("by-hand", CARRY, "--json", "--build", "export", "--addresses"),
    ],
    "pack": [("pack", CARRY, "NEW", "--json")],
    "unpack": [("unpack", "PACK", "NEW", "--json")],
    "check": [
        ("check", CARRY, "--json"),
        ("check", CARRY, "--dump", EXPORT, "--json"),
        ("check", "PACK", "--json"),
    ],
}
CASES = [(form, words) for form, each in GIVEN.items() for words in each]


def faults(form: str, given: Any) -> list[str]:
    validator = Draft202012Validator(json_schema(form))
    return [f"{list(fault.path)}: {fault.message}" for fault in validator.iter_errors(given)]


def test_every_form_can_be_asked_for() -> None:
    assert tuple(FORMS) == FORM_NAMES
    assert {form for form, _ in CASES} == set(FORMS) - {"attempts", "event", "sent-heap-event"}


@pytest.mark.parametrize("form", FORMS)
def test_a_schema_is_one_and_describes_its_objects(form: str) -> None:
    schema = json_schema(form)
    Draft202012Validator.check_schema(schema)
    for shape in (schema, *schema.get("$defs", {}).values()):
        if shape["type"] == "object":
            assert shape["description"]
            assert shape["additionalProperties"] is False


@pytest.mark.parametrize(("form", "words"), CASES, ids=lambda case: " ".join(case)[-60:])
def test_what_a_command_prints(
    form: str,
    words: tuple[str, ...],
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr("sys.stdin", io.StringIO())
    layout, pack = str(tmp_path / "good.layout.toml"), str(tmp_path / "carry.zip")
    assert main(["layout", "save", CARRY, layout]) == 0
    if "PACK" in words:
        assert main(["pack", CARRY, pack]) == 0
    quarter = tmp_path / "quarter.toml"
    quarter.write_text("[moves.quarter]\nadd = 0x4000\n", "utf-8")
    capsys.readouterr()
    expect = tmp_path / "carry.expect.toml"
    rows = '[ { watch = "room", value = "x" }, { watch = "held_kind", value = "lantern" } ]'
    moment = f"[[moments]]\ndump = '{EXPORT}'\nexpect = {rows}\n"
    expect.write_text(f"bridge = '{CARRY}'\n{moment}", "utf-8")
    known = {
        "LAYOUT": layout,
        "QUARTER": str(quarter),
        "EXPECT": str(expect),
        "PACK": pack,
        "NEW": str(tmp_path / "new.zip"),
    }
    assert main([known.get(word, word) for word in words]) in (0, 1)
    lines = capsys.readouterr().out.splitlines()
    if form == "heap-event":  # a line an event
        assert len(lines) > 10
    else:
        recordings = words.count(RECORDED) if form == "query" else 1
        assert len(lines) == max(recordings, words.count("--dump"))
    for line in lines:
        given = json.loads(line)
        for part in given if form == "explain" else [given]:
            assert faults(form, part) == []
            # the schema does not let everything through
            assert faults(form, {**part, "further": 1})
            missing = dict(part)
            missing.pop(next(key for key in json_schema(form)["required"]))
            assert faults(form, missing)


async def test_a_lap_of_frames_with_attempts_and_their_events() -> None:
    bridge = load_bridge(DEMO)
    seen: dict[int, Attempt] = {}
    checked = 0
    async for frame in frames(bridge):
        assert frame.practice is not None
        ended = len(seen)
        seen |= {attempt.number: attempt for attempt in frame.practice.recent}
        if frame.number % 50 == 0 or len(seen) > ended:
            assert faults("frame", json.loads(json.dumps(frame.as_json()))) == []
            checked += 1
    assert checked > 20
    attempts = list(seen.values())
    assert {attempt.outcome for attempt in attempts} >= {Outcome.SUCCESS, Outcome.FAILED}
    assert any(attempt.kept for attempt in attempts)
    for attempt in attempts:
        assert faults("event", json.loads(event_payload(attempt))) == []
    for given in (
        attempts_json(bridge, attempts, attempts, False),
        attempts_json(bridge, [], [], True, 3),
    ):
        assert faults("attempts", json.loads(json.dumps(given))) == []
