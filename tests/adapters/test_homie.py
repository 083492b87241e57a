"""Checks against the Homie convention 5.0: topic ids, payload formats, ``$description``."""

from __future__ import annotations

import json
import math
import re
import struct
import time
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from adapters.outputs.mqtt import homie
from adapters.outputs.mqtt.homie_plan import plan_payloads
from adapters.outputs.mqtt.homie_practice import PracticeTopics
from bridge.practice.attempts import Attempt, Outcome
from bridge.practice.followed_plan import FollowedPlan, NewPlan, PlanStep
from bridge.practice.progress import Practice
from bridge.practice.totals import Rate, Score
from bridge.readings.frame import Frame
from bridge.readings.reading import Reading, Watch
from bridge.values import target
from bridge.values.status import Status
from bridge.values.value_type import BOOLEAN, FLOAT, INTEGER, TEXT, Kind, Value, ValueType
from schemas.errors import OutputError
from tests.evil_texts import EVIL, LONE, assert_harmless

U64 = ValueType(Kind.INTEGER, bits=64, name="u64")
S64 = ValueType(Kind.INTEGER, bits=64, signed=True, name="s64")
U16 = ValueType(Kind.INTEGER, bits=16, name="u16")
F32 = ValueType(Kind.FLOAT, bits=32, name="f32")
ACTOR_KIND = ValueType(
    Kind.INTEGER, bits=16, members={1: "courier", 2: "lantern"}, name="ActorKind"
)
TYPES = [INTEGER, FLOAT, BOOLEAN, TEXT, U64, S64, U16, F32, ACTOR_KIND]

# Homie convention 5.0, "Payload": integers are optional sign and digits within 64 bits, floats
# digits, "-", "." and an exponent; neither has a plus sign, a blank or a word.
INTEGER_GRAMMAR = re.compile(rb"-?[0-9]+")
FLOAT_GRAMMAR = re.compile(rb"-?[0-9]+(\.[0-9]+)?(e-?[0-9]+)?")


def watch(name: str, kind: ValueType = INTEGER, aim: target.Target | None = None) -> Watch:
    return Watch(name, "", name, kind, target=aim)


def payloads(value: Value, kind: ValueType, status: Status = Status.OK) -> dict[str, bytes]:
    return homie.reading_payloads(Reading(watch("w", kind), status, value))


def frame(*readings: Reading, note: str = "") -> Frame:
    return Frame(812, 1.5, "export", "fake", "still", lambda: readings, note=note)


def properties(kind: ValueType, aim: target.Target | None = None) -> dict[str, Any]:
    device = homie.Device("lowhalf-desk", "desk", [watch("w", kind, aim)])
    found: dict[str, Any] = json.loads(device.describe(1))["nodes"]["w"]["properties"]
    return found


@pytest.mark.parametrize(
    ("value", "kind", "expected"),
    [
        (73, INTEGER, b"73"),
        (-73, INTEGER, b"-73"),
        (2**63 - 1, INTEGER, b"9223372036854775807"),
        (-(2**63), INTEGER, b"-9223372036854775808"),
        (2**63, INTEGER, None),
        (-(2**63) - 1, INTEGER, None),
        (2**63, U64, b"9223372036854775808"),
        (2**64 - 1, U64, b"18446744073709551615"),
        (-1, U64, None),
        (-1, S64, b"-1"),
        (True, INTEGER, b"1"),
        (1.5, INTEGER, None),
        (1e16, FLOAT, b"1e16"),
        (1e-7, FLOAT, b"1e-07"),
        (-1.25e300, FLOAT, b"-1.25e300"),
        (math.nan, FLOAT, None),
        (math.inf, FLOAT, None),
        (-math.inf, FLOAT, None),
        (-0.0, FLOAT, b"-0.0"),
        (5, FLOAT, b"5.0"),
        (10**400, FLOAT, None),
        (struct.unpack(">f", b"\x3d\xcc\xcc\xcd")[0], F32, b"0.1"),
        (3e38, F32, b"3e38"),
        (True, BOOLEAN, b"true"),
        (False, BOOLEAN, b"false"),
        ("", TEXT, b"\0"),
        ("Brücke", TEXT, b"Br\xc3\xbccke"),
        ("\ud800", TEXT, rb"\ud800"),
        ("Wren\x1b[2J\u202e", TEXT, rb"Wren\x1b[2J\u202e"),
        (2, ACTOR_KIND, b"2"),
        ("x", INTEGER, None),
        (1, TEXT, None),
    ],
)
def test_a_value_is_written_by_the_rules_or_not_at_all(
    value: Value, kind: ValueType, expected: bytes | None
) -> None:
    assert homie.value_payload(value, kind) == expected


@given(
    st.one_of(
        st.integers(),
        st.integers(-(2**70), 2**70),
        st.floats(),
        st.floats(width=32),
        st.booleans(),
        st.text(),
        st.text(st.characters(categories=["Cs", "Cc", "L"])),
    ),
    st.sampled_from(TYPES),
)
def test_no_value_of_any_type_gives_an_illegal_payload(value: Value, kind: ValueType) -> None:
    if kind.single and isinstance(value, float) and abs(value) > 3.4e38:
        value = math.inf
    payload = homie.value_payload(value, kind)
    if payload is None:
        return
    assert payload != b""
    payload.decode("utf-8")
    match homie.datatype(kind):
        case "integer":
            assert INTEGER_GRAMMAR.fullmatch(payload)
            assert -(2**63) <= int(payload) < 2**63
            assert int(payload) == value
        case "float":
            assert FLOAT_GRAMMAR.fullmatch(payload)
            assert math.isfinite(float(payload))
            if not kind.single:
                # a whole number is sent as the nearest binary64, as of any float watch
                assert float(payload) == float(value)
        case "boolean":
            assert payload in (b"true", b"false")
        case other:
            assert other == "string"


@given(st.floats(width=32, allow_nan=False, allow_infinity=False))
def test_a_stored_single_is_rebuilt_from_its_payload(value: float) -> None:
    payload = homie.value_payload(value, F32)
    assert payload is not None
    assert struct.pack(">f", float(payload)) == struct.pack(">f", value)


@pytest.mark.parametrize(
    ("kind", "expected"),
    [
        (INTEGER, "integer"),
        (S64, "integer"),
        (ACTOR_KIND, "integer"),
        (U64, "string"),
        (FLOAT, "float"),
        (BOOLEAN, "boolean"),
        (TEXT, "string"),
    ],
)
def test_the_datatype_of_a_value(kind: ValueType, expected: str) -> None:
    assert properties(kind)["value"]["datatype"] == expected


def test_a_value_that_its_datatype_cannot_hold_is_an_error_and_stays_unpublished() -> None:
    assert payloads(2**63, INTEGER) == {"text": b"9223372036854775808", "status": b"error"}
    assert payloads(math.nan, FLOAT) == {"text": b"nan", "status": b"error"}
    assert payloads(10**5000, INTEGER) == {"text": b"\0", "status": b"error"}


def test_the_status_comes_after_the_value_that_it_speaks_of() -> None:
    assert list(payloads(1, INTEGER)) == ["value", "text", "status"]


@pytest.mark.parametrize("status", [Status.NULL, Status.UNMAPPED, Status.WAITING])
def test_without_a_value_only_text_and_status_are_published(status: Status) -> None:
    reading = Reading(watch("w"), status, None, reason="courier.held is null")
    assert homie.reading_payloads(reading) == {"text": b"\0", "status": str(status).encode()}


@pytest.mark.parametrize(
    "status", [Status.FREED, Status.HEADER, Status.BETWEEN, Status.CHANGED, Status.DAMAGED]
)
def test_a_warning_stands_beside_the_value(status: Status) -> None:
    aim = target.near(120.0, 0.5, FLOAT)
    reading = Reading(watch("x", FLOAT, aim), status, 100.0, reason="courier.held is stale")
    assert homie.reading_payloads(reading) == {
        "value": b"100.0",
        "text": b"100.0",
        "target": b"miss",
        "distance": b"20.0",
        "status": str(status).encode(),
    }
    content = json.loads(homie.frame_payload(frame(reading, Reading(watch("n"), Status.OK, 1))))
    assert content["values"] == {"x": 100.0, "n": 1}
    assert content["not_ok"] == {}
    assert content["warned"] == {"x": str(status)}


def test_offline_keeps_the_last_value() -> None:
    found = payloads(7, INTEGER, Status.OFFLINE)
    assert found == {"value": b"7", "text": b"7", "status": b"offline"}


def test_an_enumeration_is_an_integer_with_its_name_in_the_text() -> None:
    assert payloads(2, ACTOR_KIND) == {"value": b"2", "text": b"lantern", "status": b"ok"}


def test_a_target_has_a_hit_and_a_distance() -> None:
    aim = target.near(120.0, 0.5, FLOAT)
    reading = Reading(watch("x", FLOAT, aim), Status.OK, 100.0)
    assert homie.reading_payloads(reading) == {
        "value": b"100.0",
        "text": b"100.0",
        "target": b"miss",
        "distance": b"20.0",
        "status": b"ok",
    }
    about = properties(FLOAT, aim)
    assert about["target"] == {"name": "Target", "datatype": "enum", "format": "hit,miss,unknown"}
    assert about["distance"] == {"name": "Distance", "datatype": "float"}


@pytest.mark.parametrize(
    ("reading", "status"),
    [
        (Reading(watch("x", FLOAT, target.near(120.0, 0.5, FLOAT)), Status.NULL), b"null"),
        (Reading(watch("x", FLOAT, target.near(120.0, 0.5, FLOAT)), Status.WAITING), b"waiting"),
        (
            Reading(watch("x", FLOAT, target.near(120.0, 0.5, FLOAT)), Status.OK, math.inf),
            b"error",
        ),
    ],
    ids=["null", "waiting", "not a number"],
)
def test_a_target_without_a_value_is_unknown_and_its_distance_deleted(
    reading: Reading, status: bytes
) -> None:
    found = homie.reading_payloads(reading)
    assert (found["target"], found["distance"], found["status"]) == (b"unknown", b"", status)
    assert "value" not in found


def test_a_description_has_only_what_has_a_value() -> None:
    device = homie.Device("lowhalf-desk", "desk", [watch("w", INTEGER)])
    node = "homie/5/lowhalf-desk/w"
    valued = {f"{node}/text", f"{node}/status", "homie/5/lowhalf-desk/bridge/build"}
    content = json.loads(device.describe(7, valued))
    assert list(content["nodes"]["w"]["properties"]) == ["text", "status"]
    # What is not retained needs none.
    assert list(content["nodes"]["bridge"]["properties"]) == ["build", "frame"]
    assert device.version_after(device.describe(7, valued), valued=valued) == 7
    assert device.version_after(device.describe(7), valued=valued) > 7
    assert device.described_alike(device.describe(7, valued)) == valued
    other = homie.Device("lowhalf-desk", "desk", [watch("w", FLOAT)])
    assert f"{node}/value" not in device.described_alike(other.describe(7))
    assert f"{node}/text" in device.described_alike(other.describe(7))


@pytest.mark.parametrize(
    "payload",
    [None, b"", b"7", b'{"version":1,"nodes":7}', b'{"version":1,"nodes":{"w":[]}}',
     b'{"version":1,"nodes":{"w":{"properties":[]}}}'],
)  # fmt: skip
def test_what_is_no_description_describes_nothing(payload: bytes | None) -> None:
    device = homie.Device("lowhalf-desk", "desk", [watch("w")])
    assert device.described_alike(payload) == frozenset()


def test_a_target_without_distances_declares_none() -> None:
    assert "distance" not in properties(ACTOR_KIND, target.equals("lantern", ACTOR_KIND))


def test_the_description() -> None:
    device = homie.Device("lowhalf-desk", "desk", [Watch("held_x", "Held", "x", INTEGER)])
    content = json.loads(device.describe(7))
    assert list(content)[:3] == ["homie", "version", "name"]
    assert (content["homie"], content["version"], content["name"]) == ("5.0", 7, "desk")
    assert content["nodes"]["held-x"] == {
        "name": "Held",
        "type": "lowhalf-watch",
        "properties": {
            "value": {"name": "Value", "datatype": "integer"},
            "text": {"name": "Text", "datatype": "string"},
            "status": {
                "name": "Status",
                "datatype": "enum",
                "format": "ok,null,unmapped,misaligned,waiting,offline,error,"
                "freed,header,between,changed,damaged",
            },
        },
    }
    bridge = content["nodes"]["bridge"]["properties"]
    assert bridge["frame"] == {"name": "Frame", "datatype": "json", "retained": False}
    assert {name: about["datatype"] for name, about in bridge.items()} == {
        "build": "string",
        "source": "string",
        "consistency": "string",
        "skipped": "integer",
        "instance": "string",
        "frame": "json",
    }


def test_only_what_is_described_may_be_retained() -> None:
    device = homie.Device("lowhalf-desk", "desk", [watch("hp")])
    root = "homie/5/lowhalf-desk"
    assert device.retained == {
        f"{root}/$state",
        f"{root}/$description",
        f"{root}/$alert/source",
        f"{root}/hp/value",
        f"{root}/hp/text",
        f"{root}/hp/status",
        f"{root}/bridge/build",
        f"{root}/bridge/source",
        f"{root}/bridge/consistency",
        f"{root}/bridge/skipped",
        f"{root}/bridge/instance",
    }


def test_names_become_ids() -> None:
    assert homie.node_ids([watch("held_x_low"), watch("HP2")]) == {
        "held_x_low": "held-x-low",
        "HP2": "hp2",
    }


@pytest.mark.parametrize(
    ("names", "message"),
    [
        (("hp", "HP"), "mqtt: watches hp and HP have the same topic id hp; rename one"),
        (("Bridge",), "mqtt: watch Bridge has the topic id bridge, which is the bridge's own; "
                      "rename it"),
        (("a+b",), "mqtt: watch 'a+b': expected letters, digits and _ in a name that becomes a "
                   "topic; rename it"),
    ],
)  # fmt: skip
def test_ids_that_collide_are_refused(names: tuple[str, ...], message: str) -> None:
    with pytest.raises(OutputError) as caught:
        homie.Device("lowhalf-desk", "desk", [watch(name) for name in names])
    assert str(caught.value) == message


@pytest.mark.parametrize("name", ["a/b", "a#", "a\0b", "", "ü", "a b", "a\n", "$state"])
def test_a_name_that_no_topic_can_have_is_refused(name: str) -> None:
    with pytest.raises(OutputError, match="expected letters, digits and _"):
        homie.node_ids([watch(name)])


@pytest.mark.parametrize(
    ("wanted", "name", "expected"),
    [
        ("", "desk", "lowhalf-desk"),
        ("", "Lantern Room_2", "lowhalf-lantern-room-2"),
        ("", "灯台", "lowhalf"),
        ("mine-2", "desk", "mine-2"),
    ],
)
def test_the_device_id(wanted: str, name: str, expected: str) -> None:
    assert homie.device_id(wanted, name) == expected


@given(st.text())
def test_every_device_id_is_legal(name: str) -> None:
    assert re.fullmatch("[a-z0-9-]+", homie.device_id("", name))


@pytest.mark.parametrize("wanted", ["Desk", "a/b", "+", "a_b", "a\n"])
def test_a_wanted_device_id_that_is_not_one_is_refused(wanted: str) -> None:
    with pytest.raises(OutputError) as caught:
        homie.device_id(wanted, "desk")
    assert str(caught.value) == f'mqtt: device: expected a-z, 0-9 and -, found "{wanted}"'


def test_the_version_stays_while_the_description_does() -> None:
    device = homie.Device("lowhalf-desk", "desk", [watch("hp")])
    assert device.version_after(device.describe(7)) == 7
    assert device.version_after(device.describe(7), device.describe(9)) == 9


def test_the_version_rises_with_every_other_description() -> None:
    device = homie.Device("lowhalf-desk", "desk", [watch("hp")])
    other = homie.Device("lowhalf-desk", "desk", [watch("mp")])
    far = int(time.time()) * 2
    assert device.version_after(other.describe(far)) == far + 1
    assert device.version_after(device.describe(5), other.describe(far)) == far + 1
    assert device.version_after(other.describe(5)) >= int(time.time()) - 1


@pytest.mark.parametrize(
    "payload",
    [None, b"", b"\xff", b"[]", b"[" * 5000, b"{}", b'{"version":"7"}', b'{"version":true}',
     b'{"version":-1}', b'{"version":9223372036854775807}'],
)  # fmt: skip
def test_what_is_no_description_is_passed_over(payload: bytes | None) -> None:
    device = homie.Device("lowhalf-desk", "desk", [watch("hp")])
    assert homie.read_description(payload) is None
    assert abs(device.version_after(payload) - time.time()) < 5


def test_a_frame_holds_every_watch_once() -> None:
    content = json.loads(
        homie.frame_payload(
            frame(
                Reading(watch("frame"), Status.OK, 73),
                Reading(watch("speed", FLOAT), Status.OK, 4.25),
                Reading(watch("held"), Status.NULL, None),
                Reading(watch("bad", FLOAT), Status.OK, math.nan),
                Reading(watch("big"), Status.OK, 2**64),
                Reading(watch("label", TEXT), Status.OK, ""),
            )
        )
    )
    assert content == {
        "frame": 812,
        "time": 1.5,
        "build": "export",
        "values": {"frame": 73, "speed": 4.25, "label": ""},
        "not_ok": {"held": "null", "bad": "error", "big": "error"},
    }


def test_the_alert_is_the_reason_and_nothing_while_the_source_is_there() -> None:
    reading = Reading(watch("hp"), Status.OK, 1)
    assert homie.alert_payload(frame(reading)) == b""
    assert homie.alert_payload(frame(reading).offline("file dawn.bin: gone", 2.0)) == (
        b"file dawn.bin: gone"
    )
    gone = Reading(watch("hp"), Status.OFFLINE, 1)
    assert homie.alert_payload(frame(gone)) == b"source unavailable"


def test_no_payload_steers_a_subscriber_s_terminal() -> None:
    """Every topic of a bridge in which all texts are as rude as can be; JSON holds them exactly."""
    text = EVIL + LONE
    named = Watch("w", text, text, TEXT, target=target.equals(text, TEXT))
    bad = Reading(watch("v", TEXT), Status.NULL, reason=text)
    shown = replace(frame(Reading(named, Status.OK, text), bad), source=text, build=text)
    last = Attempt(1, text, 1, 1.0, Outcome.FAILED, text, text)
    rates = ((text, Rate(1, 2)),)
    practice = Practice(
        step=text, hint=text, reason=text, last=last, score=replace(Score(), steps=rates)
    )
    rude = PlanStep(text, 1, doc=text)
    new = NewPlan((rude,), True, 1, text, text)
    plan = FollowedPlan(
        *(text, "off", (rude,), text), difference=text, guess=text, unseen=(text,), reason=text
    )
    plan = replace(plan, new=new)
    topics = PracticeTopics(True, True)
    device = homie.Device("lowhalf-desk", text, [named, bad.watch], topics)
    lost = Reading(named, Status.OFFLINE, text, reason=text)
    payloads = [
        device.describe(1),
        homie.frame_payload(shown),
        homie.alert_payload(replace(shown, note=text)),
        homie.alert_payload(frame(lost)),
        *homie.bridge_payloads(shown).values(),
        *homie.reading_payloads(shown.readings[0]).values(),
        *homie.reading_payloads(bad).values(),
        *topics.payloads(practice).values(),
        *plan_payloads(plan).values(),
    ]
    for payload in payloads:
        if payload != b"\0":  # the convention's own sign for an empty string
            assert_harmless(payload.decode("utf-8"))
    assert sum(rb"Wren\x1b[2J" in payload for payload in payloads) >= 10
    assert json.loads(homie.frame_payload(shown))["values"]["w"] == text
    assert json.loads(device.describe(1))["name"] == text
    (rate,) = json.loads(topics.payloads(practice)["step-rates"])
    assert rate["step"] == text
