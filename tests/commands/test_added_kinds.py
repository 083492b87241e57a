"""A package of somebody else's adds a source and an output, and commands use them.

The packages here are installed by hand: a module and its ``.dist-info`` in a folder on the path,
with ``METADATA`` (core metadata, PEP 566) and ``entry_points.txt`` (the entry points specification
of the Python Packaging User Guide), which is all that the interpreter's importlib.metadata asks
for; one is a wheel that pip installs.
"""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
import tomllib
import zipfile
from importlib.metadata import EntryPoint, entry_points
from pathlib import Path

import pytest
from jsonschema import Draft202012Validator

from adapters.catalogue import Catalogue
from adapters.outputs.catalogue import CATALOGUE as OUTPUT_CATALOGUE
from adapters.sources.catalogue import CATALOGUE as SOURCE_CATALOGUE
from bridge.ports.output import Output
from bridge.ports.source import Source
from schemas.output_settings import OUTPUTS
from schemas.source_settings import SOURCES
from tests.manual import DOCS

MODULE = '''
"""A gauge of the tide as a source, and a bell as an output."""

import asyncio
from pathlib import Path
from typing import ClassVar, Literal

from pydantic import Field

from bridge.ports.output import Output
from bridge.ports.source import Cadence, Consistency, Opened, Source
from schemas.source_settings import SourceSettings
from schemas.table import Table

print("the gauge was imported", file=__import__("sys").stderr)


class GaugeSettings(SourceSettings):
    """A gauge that stands in the water."""

    kind: Literal["tide"]
    level: int = Field(ge=0, le=65535, description="what it shows, in inches")


class BellSettings(Table):
    """A bell that is rung once a frame."""

    book: str = Field(description="the file that strokes are noted in, relative to the bridge file")
    stroke: str = Field("ding", description="what is noted")


class Gauge(Source):
    kind: ClassVar[str] = "tide"
    Settings = GaugeSettings

    def __init__(self, settings):
        super().__init__()
        self._bytes = settings.level.to_bytes(2, "big")

    @property
    def cadence(self):
        return Cadence.ONCE

    @property
    def consistency(self):
        return Consistency.STILL

    async def _open(self, guest):
        return Opened(guest, guest)

    async def _close(self):
        pass

    async def _fetch(self, spans):
        whole = bytes.fromhex("01020304") + bytes(0xC) + self._bytes + bytes(0xFEE)
        places = [span.address - 0x80000000 for span in spans]
        return [whole[at : at + span.length] for at, span in zip(places, spans)]


class Bell(Output):
    kind: ClassVar[str] = "bell"
    Settings = BellSettings

    @classmethod
    def from_bridge(cls, settings, around):
        return cls(settings, around.bridge.path.parent)

    def __init__(self, settings, directory):
        super().__init__()
        self.book, self.stroke = directory / settings.book, settings.stroke

    def announce(self, watches):
        pass

    def publish(self, frame):
        with self.book.open("a", encoding="utf-8") as book:
            for reading in frame.readings:
                print(self.stroke, reading.watch.name, reading.value, file=book)

    async def run(self):
        await asyncio.Event().wait()


class Bare(Source):
    pass


class OfAnotherKind(Gauge):
    class Settings(SourceSettings):
        kind: Literal["ebb"]


def no_class(settings):
    return None
'''
ENTRIES = """
[lowhalf.sources]
tide = tide_gauge:Gauge

[lowhalf.outputs]
bell = tide_gauge:Bell
"""
SCHEMA = """[game]
name = "Tidewright"

[memory]
endian = "big"
regions = [{ name = "ram", start = 0x80000000, size = 0x1000 }]

[symbols]
tide = "u16"

[builds.print]
recognise = [{ at = 0x80000000, bytes = "01020304" }]
at = { tide = 0x80000010 }
"""
BRIDGE = """schema = "t.schema.toml"

[source]
kind = "tide"
level = 291

[[watches]]
name = "level"
expr = "tide"

[outputs.bell]
book = "strokes.txt"
"""


def installed(
    folder: Path, package: str = "tide-gauge", entries: str = ENTRIES, module: str = MODULE
) -> Path:
    """A package as pip leaves it in a folder of packages."""
    name = package.replace("-", "_")
    made = folder / f"{name}-1.4.dist-info"
    made.mkdir(parents=True)
    (folder / f"{name}.py").write_text(module, "utf-8")
    metadata = f"Metadata-Version: 2.1\nName: {package}\nVersion: 1.4\n"
    (made / "METADATA").write_text(metadata, "utf-8")
    (made / "entry_points.txt").write_text(entries, "utf-8")
    return folder


@pytest.fixture
def bridge(tmp_path: Path) -> Path:
    (tmp_path / "t.schema.toml").write_text(SCHEMA, "utf-8")
    path = tmp_path / "t.bridge.toml"
    path.write_text(BRIDGE, "utf-8")
    return path


@pytest.fixture
def packages(tmp_path: Path) -> Path:
    return installed(tmp_path / "packages")


def lowhalf(packages: Path | None, *words: str | Path) -> subprocess.CompletedProcess[str]:
    """The command in a process of its own, in which the packages are installed."""
    path = [*([] if packages is None else [str(packages)]), *sys.path]
    return subprocess.run(
        [sys.executable, "-m", "adapters.commands", *map(str, words)],
        env={**os.environ, "PYTHONPATH": os.pathsep.join(path)},
        capture_output=True,
        text=True,
        encoding="utf-8",
        check=False,
    )


IMPORTED = "the gauge was imported\n"


def test_read_reads_from_an_added_source(packages: Path, bridge: Path) -> None:
    found = lowhalf(packages, "read", bridge)
    assert (found.stderr, found.returncode) == (IMPORTED, 0)
    title, row = found.stdout.splitlines()
    assert title == "frame 1 · build print · tide · still"
    assert row.split() == ["level", "291", "0x80000010"]


def test_run_sends_to_an_added_output(packages: Path, bridge: Path) -> None:
    found = lowhalf(packages, "run", bridge, "--quiet", "--seconds", "0.5", "--stats")
    assert found.returncode == 0, found.stderr
    assert "output bell: skipped 0" in found.stderr
    strokes = (bridge.parent / "strokes.txt").read_text("utf-8").splitlines()
    assert "ding level 291" in strokes


def test_from_a_wheel_that_pip_installs(tmp_path: Path, bridge: Path) -> None:
    wheel = tmp_path / "tide_gauge-1.4-py3-none-any.whl"
    about = "tide_gauge-1.4.dist-info"
    with zipfile.ZipFile(wheel, "w") as file:
        file.writestr("tide_gauge.py", MODULE)
        names = "Metadata-Version: 2.1\nName: tide-gauge\nVersion: 1.4\n"
        file.writestr(f"{about}/METADATA", names)
        tag = "Wheel-Version: 1.0\nRoot-Is-Purelib: true\nTag: py3-none-any\n"
        file.writestr(f"{about}/WHEEL", tag)
        file.writestr(f"{about}/entry_points.txt", ENTRIES)
        file.writestr(f"{about}/RECORD", "")
    packages = tmp_path / "by_pip"
    pip = [sys.executable, "-m", "pip", "install", "--quiet", "--no-index", "--no-deps"]
    subprocess.run([*pip, "--no-cache-dir", "--target", packages, wheel], check=True)
    found = lowhalf(packages, "read", bridge)
    assert (found.stderr, found.returncode) == (IMPORTED, 0)


def test_the_manuals_example_works_as_it_stands(tmp_path: Path) -> None:
    page = (DOCS / "extending" / "sources-and-outputs.md").read_text("utf-8")
    project, bridge = re.findall(r"^```toml\n(.*?)^```$", page, re.M | re.S)
    (module,) = re.findall(r"^```python\n(.*?)^```$", page, re.M | re.S)
    groups = tomllib.loads(project)["project"]["entry-points"]
    entries = "\n".join(
        f"[{group}]\n" + "\n".join(f"{name} = {row}" for name, row in rows.items())
        for group, rows in groups.items()
    )
    packages = installed(tmp_path / "packages", entries=entries, module=module)
    schema = SCHEMA.replace('bytes = "01020304"', 'bytes = "0000"')
    (tmp_path / "harbour.schema.toml").write_text(schema, "utf-8")
    path = tmp_path / "harbour.bridge.toml"
    path.write_text(bridge, "utf-8")
    found = lowhalf(packages, "read", path)
    assert (found.stderr, found.returncode) == ("", 0)
    assert found.stdout.splitlines()[1].split()[:2] == ["level", "291"]
    found = lowhalf(packages, "run", path, "--quiet", "--seconds", "0.5")
    assert found.returncode == 0, found.stderr
    assert "ding 291\n" in (tmp_path / "strokes.txt").read_text("utf-8")


def test_nothing_is_imported_for_a_file_that_names_no_added_kind(
    packages: Path, bridge: Path
) -> None:
    (bridge.parent / "t.bin").write_bytes(bytes.fromhex("01020304") + bytes(0xFFC))
    own = BRIDGE.replace('"tide"\nlevel = 291', '"file"\npath = "t.bin"', 1).partition("[outputs")
    bridge.write_text(own[0], "utf-8")
    found = lowhalf(packages, "read", bridge)
    assert (found.stderr, found.returncode) == ("", 0)


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("level = 291", "level = 70000", "5: source.level: expected at most 65535, found 70000"),
        ("level = 291", 'level = "high"', '5: source.level: expected an integer, found "high"'),
        ("level = 291", "levle = 291", "source.level: is missing (and 1 more fault in this file)"),
        ("level = 291\n", "", "3: source.level: is missing"),
        ('book = "strokes.txt"', "book = 5", "12: outputs.bell.book: expected a text, found 5"),
        (
            '"tide"\nlevel',
            '"tied"\nlevel',
            "3: source: expected one of file, folder, shared, push, serial, debugger, process, "
            'recording, typed, none, fake, tide, found "tied"; did you mean tide?',
        ),
        (
            '"tide"\nlevel',
            '"telepathy"\nlevel',
            "3: source: expected one of file, folder, shared, push, serial, debugger, process, "
            'recording, typed, none, fake, tide, found "telepathy"',
        ),
        (
            "[outputs.bell]",
            "[outputs.gong]",
            "11: outputs.gong: unknown key; known: bell, json, mqtt, overlay, recording, terminal",
        ),
    ],
)
def test_the_settings_are_checked_as_all_others_are(
    packages: Path, bridge: Path, old: str, new: str, message: str
) -> None:
    text = BRIDGE.replace(old, new, 1)
    assert text != BRIDGE
    bridge.write_text(text, "utf-8")
    found = lowhalf(packages, "check", bridge)
    assert found.returncode == 2
    said = found.stderr.removeprefix(IMPORTED)
    assert said.startswith(f"lowhalf: {bridge}:")
    assert message in said


def test_without_the_package_the_kind_is_unknown(bridge: Path) -> None:
    found = lowhalf(None, "check", bridge)
    assert found.returncode == 2
    assert 'fake, found "tide"' in found.stderr


def test_sources_lists_it_behind_lowhalfs_own(packages: Path) -> None:
    found = lowhalf(packages, "sources")
    assert found.returncode == 0, found.stderr
    assert found.stdout.endswith(
        """kind = "tide"
    A gauge that stands in the water.
    byte_order: how the source holds the guest's bytes; auto decides by the schema's recognise """
        """bytes, else by the machine code that it finds (else "auto")
    level: what it shows, in inches (required)

"""
    )


def test_the_json_schema_knows_both(packages: Path) -> None:
    found = lowhalf(packages, "json-schema", "bridge")
    assert found.returncode == 0, found.stderr
    schema = json.loads(found.stdout)
    Draft202012Validator.check_schema(schema)
    watches = [{"name": "tide", "expr": "tide"}]
    good = {
        "schema": "t.schema.toml",
        "source": {"kind": "tide", "level": 291},
        "watches": watches,
        "outputs": {"bell": {"book": "strokes.txt"}, "json": {}},
    }
    assert list(Draft202012Validator(schema).iter_errors(good)) == []
    for key, wrong in (("source", {"kind": "tide"}), ("outputs", {"bell": {"boko": "x"}})):
        assert list(Draft202012Validator(schema).iter_errors({**good, key: wrong}))


@pytest.mark.parametrize(
    ("entries", "message"),
    [
        (
            "[lowhalf.sources]\ntide = tide_gauge:Gauge\nfile = tide_gauge:Gauge",
            "package tide-gauge 1.4: file of lowhalf.sources is lowhalf's own; "
            "the package needs another name",
        ),
        (
            "[lowhalf.sources]\ntide = tide_gauge:Gaueg",
            "package tide-gauge 1.4: tide of lowhalf.sources: tide_gauge:Gaueg cannot be loaded "
            "(AttributeError: module 'tide_gauge' has no attribute 'Gaueg'); update or uninstall "
            "it",
        ),
        (
            "[lowhalf.sources]\ntide = tide_gauge:Bell",
            "package tide-gauge 1.4: tide of lowhalf.sources: expected a subclass of "
            "bridge.ports.source.Source, found <class 'tide_gauge.Bell'>",
        ),
        (
            "[lowhalf.sources]\ntide = tide_gauge:no_class",
            "expected a subclass of bridge.ports.source.Source, found <function no_class at 0x",
        ),
        (
            "[lowhalf.sources]\ntide = tide_gauge:Bare",
            "package tide-gauge 1.4: tide of lowhalf.sources: its Settings: expected a subclass of "
            "schemas.source_settings.SourceSettings, found none",
        ),
        (
            "[lowhalf.sources]\ntide = tide_gauge:OfAnotherKind",
            "package tide-gauge 1.4: tide of lowhalf.sources: its Settings: "
            'expected kind: Literal["tide"]',
        ),
        (
            ENTRIES.replace("tide_gauge:Bell", "tide_gauge:Gauge"),
            "package tide-gauge 1.4: bell of lowhalf.outputs: expected a subclass of "
            "bridge.ports.output.Output, found <class 'tide_gauge.Gauge'>",
        ),
    ],
)
def test_what_is_wrong_with_a_package_is_told(
    tmp_path: Path, bridge: Path, entries: str, message: str
) -> None:
    packages = installed(tmp_path / "packages", entries=entries)
    found = lowhalf(packages, "check", bridge)
    assert found.returncode == 2
    assert message in found.stderr
    assert "Traceback" not in found.stderr


def test_a_kind_that_two_packages_add_is_an_error(packages: Path, bridge: Path) -> None:
    installed(packages, "other-gauge", ENTRIES.replace("tide_gauge:", "other_gauge:"))
    found = lowhalf(packages, "check", bridge)
    assert found.returncode == 2
    assert found.stderr == (
        "lowhalf: package tide-gauge 1.4: tide of lowhalf.sources is also in package "
        "other-gauge 1.4; uninstall one of the two\n"
    )


# the catalogues themselves


@pytest.mark.parametrize(
    ("catalogue", "kinds", "port"),
    [(SOURCE_CATALOGUE, SOURCES, Source), (OUTPUT_CATALOGUE, OUTPUTS, Output)],
    ids=["sources", "outputs"],
)
def test_every_kind_has_a_row_and_its_class_says_so(
    catalogue: Catalogue, kinds: list[str], port: type
) -> None:
    assert sorted(catalogue.rows) == sorted(kinds)
    for kind, row in catalogue.rows.items():
        found = EntryPoint(kind, row, "rows").load()
        assert issubclass(found, port)
        assert found.kind == kind


def test_no_installed_package_adds_a_kind_to_this_environment() -> None:
    """Else the tests of listings would not be of lowhalf alone."""
    assert not entry_points(group="lowhalf.sources")
    assert not entry_points(group="lowhalf.outputs")
