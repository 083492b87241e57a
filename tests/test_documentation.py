"""What is undocumented fails here, and so does what is documented and is not there."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from pydantic.fields import FieldInfo

from adapters.commands.main import COMMANDS
from adapters.json_forms.shapes import FORMS
from adapters.outputs.mqtt import homie, homie_heap, homie_plan, homie_practice
from adapters.outputs.mqtt.homie_practice import PracticeTopics
from bridge.expressions.functions.table import FUNCTIONS
from bridge.readings.reading import Watch
from bridge.values.status import Status
from bridge.values.target import equals
from bridge.values.value_type import Kind, ValueType
from docs import from_code
from docs.from_code import commands, errors, json_forms, rooms, settings, topics
from schemas.bridge_file import BridgeFile
from schemas.expect_file import ExpectFile
from schemas.layout_file import LayoutFile
from schemas.output_settings import Outputs
from schemas.pack_manifest import PackManifest
from schemas.plan_file import PlanFile
from schemas.schema_file import MovesFile, SchemaFile
from schemas.source_settings import SourceSettings
from schemas.table import Table
from tests.manual import DOCS, ROOT, page, pages

README = (ROOT / "README.md").read_text("utf-8")


def fences(text: str) -> list[str]:
    """What stands in a page's blocks of code without a language, or of a console."""
    found = re.findall(r"^```(\S*)\n(.*?)^```$", text, re.M | re.S)
    return [block for language, block in found if language in ("", "console", "text")]


def rows(text: str) -> dict[str, str]:
    """Of each row of the tables in *text*, the first cell's code and the last cell."""
    return {
        code: cells.rpartition(" | ")[2]
        for code, cells in re.findall(r"^\| `+([^`]+)`+ \|(.*) \|$", text, re.M)
    }


def test_every_part_from_the_code_is_on_one_page() -> None:
    asked = [
        part for file in DOCS.rglob("*.md") for part in from_code.asked_for(file.read_text("utf-8"))
    ]
    assert sorted(asked) == sorted(from_code.PARTS)


# functions and statuses


def test_the_manual_tells_of_every_function_and_of_no_other() -> None:
    told = {
        form.partition("(")[0]: gives for form, gives in rows(from_code.part("functions")).items()
    }
    assert list(told) == list(FUNCTIONS)
    assert all(told.values())


def test_what_a_gap_does_is_told_of_every_function_over_frames_and_of_no_other() -> None:
    after = page("reference/functions.md").partition("## After frames that were missed")[2]
    names = re.findall(r"`(\w+)`", "".join(re.findall(r"^\|(.*?)\|", after, re.M)))
    assert sorted(names) == sorted(name for name, each in FUNCTIONS.items() if each.over_frames)


def test_the_manual_tells_of_every_status_and_of_no_other() -> None:
    told = rows(page("reference/watches.md"))
    assert list(told) == [str(status) for status in Status]
    assert all(told.values())


# settings


@pytest.mark.parametrize("model", settings.source_models(), ids=lambda model: model.__name__)
def test_the_manual_tells_of_every_source_and_every_setting_describes_itself(
    model: type[Table],
) -> None:
    kind = settings.kind_of(model)
    assert f"| `{kind}` |" in page("how-to/choose-a-source.md")
    section = page("reference/sources.md").partition(f"## {kind}\n")[2].partition("\n## ")[0]
    assert section.strip().startswith(settings._about(model))
    told = rows(section)
    assert list(told) == list(model.model_fields)
    assert all(field.description for name, field in model.model_fields.items() if name != "kind")


def test_no_source_is_told_of_that_is_not_there() -> None:
    headings = re.findall(r"^## (.*)$", page("reference/sources.md"), re.M)
    assert headings == [settings.kind_of(model) for model in settings.source_models()]
    overview = page("how-to/choose-a-source.md").partition("| kind |")[2].partition("\n\n")[0]
    assert sorted(re.findall(r"^\| `(\w+)` \|", overview, re.M)) == sorted(headings)


FILES: dict[str, type[Table]] = {
    "reference/schema-file.md": SchemaFile,
    "reference/bridge-file.md": BridgeFile,
    "reference/layout-file.md": LayoutFile,
    "reference/plan-file.md": PlanFile,
    "reference/expect-file.md": ExpectFile,
    "reference/moves-file.md": MovesFile,
    "reference/pack.md": PackManifest,
    "reference/outputs.md": Outputs,
}


def tables_of(name: str) -> list[type[Table]]:
    without: tuple[type[Table], ...] = ()
    if FILES[name] is BridgeFile:
        without = (*settings.source_models(), Outputs)
    return [model for _, model in settings.tables(FILES[name], without=without)]


@pytest.mark.parametrize("name", FILES)
def test_every_setting_of_the_files_describes_itself_and_is_told_of(name: str) -> None:
    for model in tables_of(name):
        for setting, field in model.model_fields.items():
            assert field.description or _is_a_table(field), f"{model.__name__}.{setting}"
            told = f"| `{field.alias or setting}` |" in page(name)
            assert told or _is_a_table(field) or model is Outputs, f"{model.__name__}.{setting}"


@pytest.mark.parametrize("name", FILES)
def test_no_setting_of_the_files_is_told_of_that_is_not_there(name: str) -> None:
    known = {
        field.alias or setting
        for model in tables_of(name)
        for setting, field in model.model_fields.items()
    }
    assert set(rows(page(name))) <= known


def test_every_table_of_the_files_is_on_a_page() -> None:
    """Of all the models that there are: a new one that no page leads to fails."""
    reached = {model for name in FILES for model in tables_of(name)} | set(settings.source_models())
    ours = {kind for kind in _kinds(Table) if kind.__module__.startswith(("schemas.", "adapters."))}
    assert ours - reached == {SourceSettings}  # the base of all sources, which has no page


def _kinds(kind: type[Table]) -> set[type[Table]]:
    return {below for each in kind.__subclasses__() for below in (each, *_kinds(each))}


def _is_a_table(field: FieldInfo) -> bool:
    return bool(list(settings._tables_in(field.annotation)))


# commands


def test_the_manual_tells_of_every_command_and_of_no_other() -> None:
    text = page("reference/commands.md")
    assert re.findall(r"^## lowhalf (\S+)$", text, re.M) == list(COMMANDS)
    known = {*COMMANDS, "did"}  # `lowhalf did not run for 20 s` is a message
    for path, text in pages().items():
        for name in re.findall(r"`lowhalf ([a-z-]+)", text) + [
            name
            for block in fences(text)
            for name in re.findall(r"^\W*lowhalf ([a-z]\S*)", block, re.M)
        ]:
            assert name in known, f"{path}: lowhalf {name}"


def test_every_argument_of_every_command_is_told_of() -> None:
    text = page("reference/commands.md")
    for name, _, parser in commands.parsers():
        section = re.split(r"^###? ", text.partition(f"# lowhalf {name}\n")[2], flags=re.M)[0]
        for written, words in commands.arguments_of(parser):
            assert f"| `{written}` | {words.replace('|', chr(92) + '|')} |" in section
            assert words, f"lowhalf {name} {written} says nothing of itself"


def test_the_pages_name_no_option_that_no_command_has() -> None:
    known = {
        option
        for _, _, parser in commands.parsers()
        for action in parser._actions
        for option in action.option_strings
    }
    for path, text in pages().items():
        lines = [
            line for block in fences(text) for line in block.splitlines() if "lowhalf " in line
        ]
        spans = re.findall(r"`(--[^`]*)`|`(lowhalf [^`]*)`", text)
        for words in [*lines, *("".join(span) for span in spans)]:
            for option in re.findall(r"(?<!\S)--[a-z][a-z-]*(?![a-z-]*:)", words):
                assert option in known | OF_CSS | OF_OTHERS, f"{path}: {option}"


OF_CSS = set(re.findall(r"`(--[a-z]+)`", (DOCS / "how-to" / "overlay.md").read_text("utf-8"))) - {
    "--query"
}
OF_OTHERS = {"--user"}  # systemctl's


# topics


def test_the_manual_tells_of_every_topic_and_of_no_other() -> None:
    kind = ValueType(Kind.INTEGER, 16, name="u16")
    watch = Watch("held_x_low", "", "0", kind, target=equals(5, kind))
    practice = PracticeTopics(True, True)
    device = homie.Device(
        "lowhalf-harbour", "harbour", [watch], practice, heap_events=True, plan=True
    )
    nodes = device.content["nodes"]
    assert set(nodes) == {"held-x-low", "bridge", "practice", "heap", "plan"}
    published = {f"{node}/{name}" for node, about in nodes.items() for name in about["properties"]}
    published |= {
        topic.removeprefix(f"{device.root}/")
        for topic in (device.state, device.description, device.alert)
    }
    told: dict[str, str] = {}
    for module in (homie, homie_practice, homie_heap, homie_plan):
        told |= topics.listed(module)
    for others in ("practice/…", "heap/…", "plan/…"):
        told.pop(others)
    assert {name.replace("WATCH/", "held-x-low/") for name in told} == published
    assert all(told.values())
    assert set(rows(page("reference/topics.md"))) >= {f"homie/5/DEVICE/{name}" for name in told}


# JSON


def test_the_manual_tells_of_every_form_of_json_with_all_its_keys() -> None:
    text = page("reference/json.md")
    assert re.findall(r"^## (.*)$", text, re.M) == list(FORMS)
    for name in FORMS:
        section = text.partition(f"\n## {name}\n")[2].partition("\n## ")[0]
        for title, shape in json_forms.objects(name).items():
            part = section.partition(f"\n### {title} of {name}\n")[2] if title else section
            assert list(rows(part.partition("\n### ")[0])) == list(shape["properties"])


# errors and rooms


def test_the_manual_tells_of_every_error_and_of_no_other() -> None:
    told = rows(page("reference/errors.md"))
    assert list(told) == [kind.__name__ for kind in errors.kinds()]
    assert all(told.values())
    drawn = re.findall(r"^[│├└─ ]*([A-Z]\w+)", from_code.part("errors").split("```")[1], re.M)
    # the base of three of them is not drawn
    assert set(drawn) == set(told) - {"FileError"}


def test_every_package_says_what_is_in_it() -> None:
    assert len(rooms.told()) > 30
    for package, words in rooms.told().items():
        assert len(words.split()) >= 5, f"{package}: its docstring says too little"
    assert list(rows(page("reference/rooms.md"))) == list(rooms.told())


# the README


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


def test_the_readme_is_short_and_leads_to_pages_that_are_there() -> None:
    assert len(README.splitlines()) < 170
    links = re.findall(r"\]\(([^)]+)\)", README)
    assert len(links) >= 6
    assert all((ROOT / link).is_file() for link in links)


def test_the_readme_names_every_source() -> None:
    kinds = {settings.kind_of(model) for model in settings.source_models()} - {"fake"}
    section = README.partition("## Which source")[2].partition("\n## ")[0]
    cells = [line.split("|")[2] for line in section.splitlines() if line.startswith("|")][2:]
    assert {name for cell in cells for name in re.findall(r"`(\w+)`", cell)} == kinds


@pytest.mark.parametrize("name", ["README.md", "docs/how-to/your-own-game.md"])
def test_the_example_files_load(name: str, tmp_path: Path) -> None:
    from bridge.prepared import prepare
    from schemas.loader import load_bridge

    text = (ROOT / name).read_text("utf-8")
    schema, bridge = re.findall(r"^```toml\n(# harbour.*?)^```$", text, re.M | re.S)
    (tmp_path / "harbour.schema.toml").write_text(schema, "utf-8")
    path = tmp_path / "harbour.bridge.toml"
    path.write_text(bridge, "utf-8")
    ready = prepare(load_bridge(path))
    assert list(ready) == ["first-print", "export"]
    assert [watch.name for watch in ready["export"].watches] == ["held_x_low", "crates"]
