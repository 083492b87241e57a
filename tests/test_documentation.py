"""What is undocumented fails here: functions, settings, sources, statuses, topics, commands."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from adapters.commands.main import COMMANDS
from adapters.commands.sources import models
from bridge.expressions.functions.table import FUNCTIONS
from bridge.readings.reading import Watch
from bridge.values.status import Status
from bridge.values.target import equals
from bridge.values.value_type import Kind, ValueType
from schemas import output_settings
from schemas.bridge_file import BridgeFile, Guard, Sampling, TargetTable, WatchTable
from schemas.heap_table import HeapOwnerTable, HeapTable
from schemas.schema_file import (
    BuildTable,
    FieldTable,
    Memory,
    MoveTable,
    RegionTable,
    StructTable,
)

ROOT = Path(__file__).parent.parent
README = (ROOT / "README.md").read_text("utf-8")


@pytest.mark.parametrize("name", FUNCTIONS)
def test_the_readme_tells_of_every_function(name: str) -> None:
    # in code: as a call, or in the row that lists plain mathematics
    prose = re.sub(r"^```.*?^```$", "", README, flags=re.M | re.S)
    spans = re.findall(r"`([^`\n]+)`", prose)
    assert any(re.search(rf"\b{name}\(", span) or name in span.split() for span in spans)


@pytest.mark.parametrize("status", [str(status) for status in Status])
def test_the_readme_tells_of_every_status(status: str) -> None:
    assert f"`{status}`" in README


@pytest.mark.parametrize("model", models(), ids=lambda model: model.__name__)
def test_the_readme_tells_of_every_source_and_every_setting_describes_itself(model: type) -> None:
    fields = dict(model.model_fields)  # type: ignore[attr-defined]
    kind = fields.pop("kind").annotation.__args__[0]
    assert f"| `{kind}` |" in README
    assert all(field.description for field in fields.values())


@pytest.mark.parametrize(
    "model",
    [
        *(BridgeFile, Sampling, Guard, WatchTable, TargetTable),
        *(RegionTable, Memory, FieldTable, StructTable, BuildTable, HeapTable, HeapOwnerTable),
        MoveTable,
        output_settings.OverlayOutput,
        output_settings.MqttOutput,
        output_settings.TerminalOutput,
        output_settings.Outputs,
    ],
    ids=lambda model: model.__name__,
)
def test_every_setting_of_both_files_describes_itself(model: type) -> None:
    for name, field in model.model_fields.items():  # type: ignore[attr-defined]
        nested = hasattr(field.annotation, "model_fields") or name in ("source", "outputs")
        assert field.description or nested, name


def test_the_readme_tells_of_every_command() -> None:
    for name in COMMANDS:
        assert f"lowhalf {name}" in README


def test_the_readme_tells_of_every_topic_of_a_watch() -> None:
    from adapters.outputs.mqtt import homie

    kind = ValueType(Kind.INTEGER, 16, name="u16")
    watch = Watch("held_x_low", "", "0", kind, target=equals(5, kind))
    nodes = homie.Device("lowhalf-harbour", "harbour", [watch]).content["nodes"]
    assert set(nodes) == {"held-x-low", "bridge"}
    for node, about in nodes.items():
        for name in about["properties"]:
            named = f"lowhalf-harbour/{node}/{name}`" in README
            assert named or (node == "bridge" and f"`…/{name}`" in README), f"{node}/{name}"


def test_the_readme_has_exactly_two_set_up_commands() -> None:
    blocks = re.findall(r"^```sh\n(.*?)^```$", README, re.M | re.S)
    assert [block.count("\n") for block in blocks] == [1, 1]
    assert blocks[0].rstrip().endswith("lowhalf demo")
    assert blocks[1].count("-m pytest") == 2
    assert blocks[1].rstrip().endswith("-m timing")


def test_the_readmes_first_paragraph_states_the_job() -> None:
    first = README.split("\n\n")[1]
    assert "read-only bridge" in first
    assert "RAM" in first


def test_the_readmes_example_files_load(tmp_path: Path) -> None:
    from bridge.prepared import prepare
    from schemas.loader import load_bridge

    schema, bridge = re.findall(r"^```toml\n(# harbour.*?)^```$", README, re.M | re.S)
    (tmp_path / "harbour.schema.toml").write_text(schema, "utf-8")
    path = tmp_path / "harbour.bridge.toml"
    path.write_text(bridge, "utf-8")
    ready = prepare(load_bridge(path))
    assert list(ready) == ["first-print", "export"]
    assert [watch.name for watch in ready["export"].watches] == ["held_x_low", "crates"]
