"""A plan that is followed, as every output tells of it."""

from __future__ import annotations

import json
import os
from dataclasses import replace
from pathlib import Path

import pytest
from jsonschema import Draft202012Validator

from adapters.commands.json_schema import json_schema
from adapters.commands.main import main
from adapters.outputs.mqtt import homie
from adapters.outputs.mqtt.homie_plan import plan_node, plan_payloads
from adapters.outputs.terminal.plain_lines import PlainLines
from adapters.outputs.terminal.table import TerminalTable
from adapters.outputs.web.snapshot import MAX_DRAWN, frame_snapshot
from adapters.words.plan import plan_words
from bridge.practice.followed_plan import FollowedPlan, NewPlan
from bridge.readings.public_words import public_frame
from tests.adapters.made_frames import OIL, frame, good, three
from tests.adapters.made_plans import DONE, GAP, NEXT, OFF, STEPS, UNDER_WAY, WAITS
from tests.bridge.planning.followed_guest import BRIDGE, memory, plan_start, write_files

SLIP = (
    "a gull stands where a crate was to be, at 0x802001F0: was call_gull done before gallery_door?"
)
NONE = NewPlan(None, True, reason="a lantern lies there for good")


@pytest.mark.parametrize(
    ("plan", "words"),
    [
        (NEXT, "step 2 of 3: gallery_door (95 frames, 1 to the frame)"),
        (UNDER_WAY, "step 2 of 3: gallery_door, 3 of 8 effects"),
        (OFF, f"off the plan at step 2 of 3, gallery_door  {SLIP}  "
              "new plan: gallery_door, call_gull (135 frames)"),
        (GAP, "step 3 of 3: call_gull (40 frames)  "
              "not seen by itself: light_mist, gallery_door, 40 frames were missed"),
        (DONE, "all 3 steps done"),
        (WAITS, "the plan has not begun: the heap is nowhere as in it  "
                "room is 2, where 0 was to be"),
        (replace(WAITS, new=NONE, difference=""),
         "the plan has not begun: the heap is nowhere as in it  "
         "no new plan: a lantern lies there for good"),
        (replace(OFF, guess="", difference="", new=NewPlan((), True, 0)),
         "off the plan at step 2 of 3, gallery_door  what the plan is for is so already"),
        (replace(NEXT, reason="the heap is damaged: block 2 leads nowhere"),
         "nothing is known of the plan: the heap is damaged: block 2 leads nowhere"),
        (replace(OFF, guess="", difference="", new=NewPlan(STEPS[:1], False, 30, "call_gull")),
         "off the plan at step 2 of 3, gallery_door  "
         "new plan: when call_gull is over, light_mist (30 frames, perhaps not the cheapest)"),
    ],
)  # fmt: skip
def test_its_words(plan: FollowedPlan, words: str) -> None:
    assert plan_words(plan) == words


def test_plain_lines_say_what_changed() -> None:
    lines = PlainLines()
    lines.changes(replace(frame(811, [good(OIL, 3)]), plan=NEXT))
    assert lines.changes(replace(frame(812, [good(OIL, 3)]), plan=NEXT)) == ""
    assert lines.changes(replace(frame(813, [good(OIL, 3)]), plan=DONE)) == (
        "frame 813: all 3 steps done\n"
    )


def test_the_terminal_has_its_lines() -> None:
    size = os.terminal_size((120, 30))
    table = TerminalTable("utf-8")
    shown = table.frame(replace(three(812), plan=OFF), 0.0, size)
    lines = ["".join(text for text, _ in line) for line in shown]
    assert "off the plan at step 2 of 3, gallery_door" in lines
    assert SLIP in lines
    assert "new plan: gallery_door, call_gull (135 frames)" in lines


@pytest.mark.parametrize("plan", [NEXT, UNDER_WAY, OFF, GAP, DONE, WAITS])
def test_its_json_is_as_the_schema_says(plan: FollowedPlan) -> None:
    # outside reference: jsonschema
    told = json.loads(json.dumps(replace(three(812), plan=plan).as_json()))
    Draft202012Validator(json_schema("frame")).validate(told)
    assert told["plan"]["stand"] == plan.stand
    assert told["plan"]["next"] == (plan.next and plan.next.as_json())
    assert "plan" not in three(812).as_json()


def test_pages_get_its_words_and_only_the_desk_the_strips() -> None:
    shown = frame_snapshot(replace(three(812), plan=OFF))
    assert shown["plan_words"] == {
        "where": "off the plan at step 2 of 3, gallery_door",
        "slip": SLIP,
        "new": "new plan: gallery_door, call_gull (135 frames)",
        "unseen": "",
    }
    assert "plan_drawn" not in shown
    drawn = frame_snapshot(replace(three(812), plan=OFF), frozenset(["desk"]))["plan_drawn"]
    assert [step["action"] for step in drawn["steps"]] == [step.action for step in STEPS]
    assert (drawn["now"], drawn["wanted"], drawn["omitted"]) == (OFF.now, OFF.wanted, 0)
    many = replace(OFF, now=OFF.now * 100)
    drawn = frame_snapshot(replace(three(812), plan=many), frozenset(["desk"]))["plan_drawn"]
    assert (len(drawn["now"]), drawn["omitted"]) == (MAX_DRAWN, 300 - MAX_DRAWN)
    assert "plan_words" not in frame_snapshot(three(812))


def test_the_broker_has_a_node_of_it_where_a_plan_is_followed() -> None:
    device = homie.Device("lowhalf-desk", "desk", [OIL], plan=True)
    node = json.loads(device.describe(1))["nodes"]["plan"]
    assert node == json.loads(json.dumps(plan_node()))
    for plan in (None, NEXT, UNDER_WAY, OFF, DONE):
        payloads = plan_payloads(plan)
        assert set(payloads) == set(node["properties"])
        # Homie 5.0, "Payload": an enum's payload is one of its format, an integer a decimal number
        assert payloads["stand"].decode() in node["properties"]["stand"]["format"].split(",")
        assert int(payloads["done"]) <= int(payloads["steps"])
        json.loads(payloads["new-plan"])
        json.loads(payloads["unseen"])
    assert plan_payloads(OFF)["next"] == b"gallery_door"
    assert plan_payloads(OFF)["guess"] == b"was call_gull done before gallery_door?"
    assert "plan" not in json.loads(homie.Device("d", "desk", [OIL]).describe(1))["nodes"]


def test_what_is_gone_says_so_and_names_no_path() -> None:
    lost = replace(three(812), plan=NEXT, paths=("/home/wren/tide.bin",)).offline(
        "file tide.bin: /home/wren/tide.bin is not there", 2.0
    )
    assert lost.plan is not None
    assert lost.plan.reason == "file tide.bin: /home/wren/tide.bin is not there"
    public = public_frame(lost).plan
    assert public is not None
    assert public.reason == "file tide.bin is not there"


def test_read_says_where_a_dump_stands(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = write_files(
        tmp_path, bridge=BRIDGE.replace('kind = "fake"', 'kind = "file"\npath = "a.bin"')
    )
    arena, states = plan_start(path)
    data = bytearray(128 << 10)
    for address, part in memory(arena, states):
        data[address - 0x8020_0000 : address - 0x8020_0000 + len(part)] = part
    (tmp_path / "a.bin").write_bytes(data)
    assert main(["read", str(path)]) == 0
    out = capsys.readouterr().out.splitlines()
    assert out[-1] == "plan gull: step 1 of 4: light_mist (30 frames)"
    assert main(["read", str(path), "--watch", 'plan("gull") + 1', "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["readings"][0]["value"] == 1
    assert (told["plan"]["done"], told["plan"]["steps"]) == (0, 4)
