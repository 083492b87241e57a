"""The packages that the manual shows: installed as they stand, and used.

Functions have their own in ``test_further_functions``.
"""

from __future__ import annotations

import csv
import os
import re
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

from tests.manual import page

SCHEMA = """[game]
name = "Tidewright"

[memory]
endian = "big"
regions = [{ name = "ram", start = 0x80000000, size = 0x1000 }]

[symbols]
tide = "u16"
ebb  = "u16"

[builds.print]
at = { tide = 0x80000010, ebb = 0x80000F00 }
"""
WATCHES = """schema = "harbour.schema.toml"

[[watches]]
name = "level"
expr = "tide"

[[watches]]
name = "low_water"
expr = "ebb"
"""


def blocks(name: str, language: str) -> list[str]:
    return re.findall(rf"^```{language}\n(.*?)^```$", page(f"extending/{name}.md"), re.M | re.S)


def installed(folder: Path, name: str) -> Path:
    """The page's package, as an installer leaves it: a module and its metadata."""
    project, _ = blocks(name, "toml")
    about = tomllib.loads(project)["project"]
    ((group, entries),) = about["entry-points"].items()
    ((kind, target),) = entries.items()
    (module,) = blocks(name, "python")
    made = folder / f"{about['name'].replace('-', '_')}-{about['version']}.dist-info"
    made.mkdir(parents=True)
    (folder / f"{target.partition(':')[0]}.py").write_text(module, "utf-8")
    metadata = f"Metadata-Version: 2.1\nName: {about['name']}\nVersion: {about['version']}\n"
    (made / "METADATA").write_text(metadata, "utf-8")
    (made / "entry_points.txt").write_text(f"[{group}]\n{kind} = {target}\n", "utf-8")
    return folder


def bridge(folder: Path, source: str, outputs: str = "") -> Path:
    (folder / "harbour.schema.toml").write_text(SCHEMA, "utf-8")
    path = folder / "harbour.bridge.toml"
    path.write_text(f"{WATCHES}\n{source}\n{outputs}", "utf-8")
    return path


def lowhalf(packages: Path, *words: str | Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "adapters.commands", *map(str, words)],
        env={**os.environ, "PYTHONPATH": os.pathsep.join([str(packages), *sys.path])},
        capture_output=True,
        text=True,
        encoding="utf-8",
        check=False,
        timeout=60,
    )


def test_the_source_reads_its_text(tmp_path: Path) -> None:
    packages = installed(tmp_path / "packages", "sources")
    path = bridge(tmp_path, blocks("sources", "toml")[1])
    text = tmp_path / "harbour.txt"
    text.write_text((bytes(0x10) + (291).to_bytes(2, "big") + bytes(0x2E)).hex(" ", 4), "ascii")
    done = lowhalf(packages, "read", path)
    assert done.stderr == ""
    title, tide, ebb = done.stdout.splitlines()
    assert title == "frame 1 · build print · hex-text harbour.txt · still"
    assert tide.split() == ["level", "291", "0x80000010"]
    # what the text does not reach is no zero
    assert ebb.split()[:2] == ["low_water", "unmapped"]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("no digits", "hex-text harbour.txt: expected hexadecimal digits alone"),
        (None, "hex-text harbour.txt: cannot be read: No such file or directory"),
    ],
)
def test_the_source_says_what_is_wrong(tmp_path: Path, text: str | None, said: str) -> None:
    packages = installed(tmp_path / "packages", "sources")
    path = bridge(tmp_path, blocks("sources", "toml")[1])
    if text is not None:
        (tmp_path / "harbour.txt").write_text(text, "ascii")
    done = lowhalf(packages, "read", path)
    assert (done.returncode, done.stdout) == (3, "")
    assert done.stderr == f"lowhalf: {said}\n"


def test_the_output_writes_its_lines(tmp_path: Path) -> None:
    packages = installed(tmp_path / "packages", "outputs")
    (tmp_path / "t.bin").write_bytes(bytes(0x10) + (291).to_bytes(2, "big") + bytes(0xFEE))
    source = '[source]\nkind = "file"\npath = "t.bin"\nbyte_order = "big"\n'
    path = bridge(tmp_path, source, blocks("outputs", "toml")[1])
    done = lowhalf(packages, "run", path, "--quiet", "--seconds", "1", "--stats")
    assert done.returncode == 0, done.stderr
    assert "output csv: skipped 0" in done.stderr
    with (tmp_path / "harbour.csv").open(encoding="utf-8", newline="") as file:
        assert list(csv.reader(file)) == [["frame", "level", "low_water"], ["1", "291", "0"]]


def test_an_output_that_cannot_write_says_so(tmp_path: Path) -> None:
    packages = installed(tmp_path / "packages", "outputs")
    (tmp_path / "t.bin").write_bytes(bytes(0x1000))
    (tmp_path / "harbour.csv").mkdir()
    source = '[source]\nkind = "file"\npath = "t.bin"\nbyte_order = "big"\n'
    path = bridge(tmp_path, source, blocks("outputs", "toml")[1])
    done = lowhalf(packages, "run", path, "--quiet", "--seconds", "1")
    assert "csv: harbour.csv: Is a directory" in done.stderr
