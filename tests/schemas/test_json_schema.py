"""The JSON Schemas for editors: they take what lowhalf takes and refuse what it refuses."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator

from adapters.commands.json_schema import DIALECT, json_schema

DEMO = Path(__file__).parents[2] / "schemas" / "games" / "tidewright.schema.toml"
BRIDGE = """
schema = "tidewright.schema.toml"
[source]
kind = "file"
path = "dawn.bin.gz"
offset = "4 KiB"
[sampling]
frame = "frame_began"
guard = { began = "frame_began", ended = "frame_ended" }
[[watches]]
name = "low_half"
expr = "low(courier.held.position.x)"
show = "hex"
target = { equals = 0x2B6D }
[[watches]]
name = "east"
expr = "courier.position.x"
target = { between = [1, 2.5] }
[learn]
keys = { 1 = "call_gull", "ö" = "shoo_gull" }
within = 20
gallery_door = "current_room.index == 1"
harbour_door = { when = "current_room.index == 2", spread = 3 }
[outputs.overlay]
[outputs.json]
"""


def faults(file: str, document: dict[str, Any]) -> list[str]:
    validator = Draft202012Validator(json_schema(file))
    return [f"{error.json_path}: {error.message}" for error in validator.iter_errors(document)]


@pytest.mark.parametrize("file", ["schema", "bridge", "expect"])
def test_it_is_a_json_schema_itself(file: str) -> None:
    made = json_schema(file)
    Draft202012Validator.check_schema(made)
    assert made["$schema"] == DIALECT


def test_the_demo_game_s_schema_is_valid() -> None:
    assert faults("schema", tomllib.loads(DEMO.read_text(encoding="utf-8"))) == []


EXPECT = """
bridge = "t.bridge.toml"
[[moments]]
dump = "a.bin"
expect = [ { watch = "x", value = 3 }, { expr = "x > 2", value = true, status = "freed" } ]
[[moments]]
recording = "b.mcap"
frame = 7
expect = [ { watch = "x", between = [1, 2.5] }, { watch = "kind", status = "null" } ]
"""


def test_a_file_of_expectations_is_valid_and_what_is_none_is_not() -> None:
    assert faults("expect", tomllib.loads(EXPECT)) == []
    for old, new in (("value = 3", "valu = 3"), ('"null"', '"nul"'), ("frame = 7", "frame = 'a'")):
        assert faults("expect", tomllib.loads(EXPECT.replace(old, new)))


def test_a_bridge_file_is_valid() -> None:
    assert faults("bridge", tomllib.loads(BRIDGE)) == []


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ('kind = "file"', 'kind = "telepathy"'),
        ('path = "dawn.bin.gz"', ""),
        ('path = "dawn.bin.gz"', 'path = "x"\npth = 1'),
        ('show = "hex"', "show = 5"),
        ('schema = "tidewright.schema.toml"', ""),
        ("[outputs.json]", "[outputs.jsn]"),
        ("[sampling]", "[sampling]\nrate = 1000"),
        ('expr = "courier.position.x"', ""),
        ("between = [1, 2.5]", 'between = "x"'),
        ("between = [1, 2.5]", "between = [1, 2, 3]"),
        ("within = 20", "within = -20"),
        ("within = 20", "wthin = 20"),
        ("spread = 3", "spred = 3"),
        ('1 = "call_gull"', "1 = 5"),
    ],
)
def test_a_wrong_bridge_file_is_refused(old: str, new: str) -> None:
    assert BRIDGE.count(old) == 1
    assert faults("bridge", tomllib.loads(BRIDGE.replace(old, new)))


@pytest.mark.parametrize(
    ("section", "value"),
    [
        ("game", {}),
        ("memory", {"endian": "middle", "regions": [{"name": "r", "start": 0, "size": 4}]}),
        ("memory", {"endian": "big", "regions": []}),
        ("enums", {"Kind": {"base": "f32", "values": {"a": 1}}}),
        ("structs", {"A": {"fields": {"x": {"type": "u8"}}}}),
        ("structs", {"A": {"sise": 1}}),
        ("symbols", {"courier": 5}),
        ("builds", {}),
        ("extra", {}),
    ],
)
def test_a_wrong_schema_is_refused(section: str, value: object) -> None:
    document = tomllib.loads(DEMO.read_text(encoding="utf-8"))
    assert faults("schema", {**document, section: value})


def settings(file: str) -> Iterator[tuple[str, dict[str, Any], dict[str, Any]]]:
    made = json_schema(file)
    for name, table in [(file, made), *made["$defs"].items()]:
        assert table["description"], name
        for key, found in table.get("properties", {}).items():
            yield f"{name}.{key}", found, made["$defs"]


@pytest.mark.parametrize("file", ["schema", "bridge"])
def test_every_setting_says_what_it_is(file: str) -> None:
    checked = 0
    for name, found, tables in settings(file):
        references = [found, *found.get("anyOf", []), *found.get("oneOf", [])]
        texts = [found.get("description")]
        texts += [
            tables[part["$ref"].rpartition("/")[2]].get("description")
            for part in references
            if "$ref" in part
        ]
        assert any(texts) or "const" in found, name
        checked += 1
    assert checked > 25
