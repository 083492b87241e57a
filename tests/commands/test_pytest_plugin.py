"""The pytest plugin, as a tester runs it: pytest of its own in a repository of the tester's.

What the expectations come to is held against ``lowhalf verify``, and reports are those that pytest
itself writes.
"""

from __future__ import annotations

import os
import subprocess
import sys
from importlib.metadata import entry_points
from pathlib import Path
from xml.etree import ElementTree

import pytest

from adapters.commands.main import main
from tests.commands import files

ROWS = {
    'watch = "kind", value = "lantern"': True,
    'watch = "kind", value = "courier"': False,
    'watch = "low_x", text = "0xF3B6"': True,
    'expr = "low_x > 99999", value = true': False,
    'expr = "courier.held.held.kind", status = "null"': True,
}
INI = "[pytest]\nlowhalf_bridge = t.bridge.toml\n"
MINE = """
import sys
from pathlib import Path
import adapters, bridge, schemas
import pytest

def test_the_projects_own_packages_are_there():
    assert schemas.MINE + bridge.MINE + adapters.MINE == 3
    assert Path(schemas.__file__).parents[1] == Path(__file__).parent

def test_a_dump_is_read(lowhalf_dump, lowhalf_bridge):
    dump = lowhalf_dump("t.bin")
    assert lowhalf_bridge.name == "t.bridge.toml"
    assert (dump.build, dump.frame, list(dump.readings)) == ("first-print", 1, ["low_x", "kind"])
    assert (dump["kind"].value, dump["kind"].text, dump["kind"].status) == (2, "lantern", "ok")
    assert dump["low_x"].address == 0x8000202E
    assert dump["courier.held.position.x > 1"].value is True
    nothing = dump["courier.held.held.kind"]
    assert (nothing.status, nothing.value) == ("null", None)
    assert nothing.reason == "courier.held.held is null"

def test_what_is_wrong_is_raised(lowhalf_dump):
    from lowhalf.pytest_plugin import NotRead
    with pytest.raises(NotRead, match="gone.bin cannot be read: no such file or directory"):
        lowhalf_dump("gone.bin")
    with pytest.raises(NotRead, match="has no field helt; did you mean held?"):
        lowhalf_dump("t.bin")["courier.helt"]
"""


@pytest.fixture(autouse=True)
def installed() -> None:
    found = [each.value for each in entry_points(group="pytest11", name="lowhalf")]
    assert found == ["lowhalf.pytest_plugin"], "install lowhalf again: pip install -e ."


def repository(folder: Path) -> Path:
    """A tester's repository whose packages are called as ours are; gives the expectations' file."""
    files.write(folder)
    for name in ("schemas", "bridge", "adapters"):
        (folder / name).mkdir()
        (folder / name / "__init__.py").write_text("MINE = 1\n", "utf-8")
    (folder / "test_mine.py").write_text(MINE, "utf-8")
    (folder / "pytest.ini").write_text(INI, "utf-8")
    path = folder / "t.expect.toml"
    rows = "".join(f"{{ {row} }},\n" for row in ROWS)
    moment = f'[[moments]]\ndump = "t.bin"\nexpect = [\n{rows}]\n'
    path.write_text(f'bridge = "t.bridge.toml"\n{moment}', "utf-8")
    return path


def run(folder: Path, *words: str) -> tuple[int, str]:
    """Exit code and output of ``python -m pytest``, which puts the folder first on sys.path."""
    kept = {k: v for k, v in os.environ.items() if not k.startswith(("PYTEST", "PYTHONPATH"))}
    done = subprocess.run(
        [sys.executable, "-m", "pytest", "-p", "no:asyncio", *words],
        cwd=folder,
        env={**kept, "PYTHONIOENCODING": "utf-8"},
        capture_output=True,
        encoding="utf-8",
        timeout=120,
    )
    return done.returncode, done.stdout + done.stderr


def outcomes(report: Path) -> list[tuple[str, bool]]:
    """Of each case in a JUnit report that is of a file of expectations, whether it passed."""
    cases = ElementTree.parse(report).getroot().iter("testcase")
    found = [(case.attrib["name"], len(case) == 0) for case in cases]
    return [(name.partition(" #")[0], passed) for name, passed in found if "test_" not in name]


def test_expectations_and_fixtures_in_a_repository_with_packages_of_our_names(
    tmp_path: Path,
) -> None:
    path = repository(tmp_path)
    code, said = run(tmp_path, "-q", "--junit-xml=theirs.xml")
    assert code == 1, said
    assert "2 failed, 6 passed" in said
    assert f"{path}:6: expected kind = courier, found lantern (2)" in said
    assert f"{path}:8: expected low_x > 99999 = true, found false" in said
    assert main(["verify", str(path), "--junit", str(tmp_path / "ours.xml")]) == 1
    theirs = outcomes(tmp_path / "theirs.xml")
    assert [passed for _, passed in theirs] == list(ROWS.values())
    assert outcomes(tmp_path / "ours.xml") == theirs
    # what failed is run again alone
    code, said = run(tmp_path, "-q", "--last-failed")
    assert (code, "2 failed" in said, "passed" in said) == (1, True, False), said
    path.write_text(
        path.read_text("utf-8").replace("courier", "lantern", 1).replace("99999", "9"), "utf-8"
    )
    code, said = run(tmp_path, "-q", "-n", "2")
    assert (code, "8 passed" in said) == (0, True), said


def test_what_is_wrong_with_a_file_is_told_where_it_is_collected(tmp_path: Path) -> None:
    path = repository(tmp_path)
    text = path.read_text("utf-8")
    path.write_text(text.replace('"kind", value = "courier"', '"kint", value = 1'), "utf-8")
    (tmp_path / "pytest.ini").write_text("[pytest]\n", "utf-8")
    code, said = run(tmp_path, "-q", "--continue-on-collection-errors")
    assert code == 1
    assert f"{path}:6: moments.0.expect.1.watch: there is no watch kint; did you mean kind?" in said
    assert "no bridge file: set lowhalf_bridge in pytest's settings" in said
    assert "1 passed, 3 errors" in said, said


UNRELATED = """
import sys
from pathlib import Path

def test_nothing_of_it_is_loaded(request):
    import lowhalf
    names = ("lowhalf", "schemas", "bridge", "adapters")
    ours = sorted(name for name in sys.modules if name.split(".")[0] in names)
    assert ours == ["lowhalf", "lowhalf.pytest_plugin"]
    from lowhalf.pytest_plugin import _PROCESS
    assert _PROCESS not in request.config.stash
"""


def test_a_run_that_needs_nothing_of_it_loads_and_starts_nothing(tmp_path: Path) -> None:
    (tmp_path / "test_unrelated.py").write_text(UNRELATED, "utf-8")
    code, said = run(tmp_path, "-q")
    assert code == 0, said


ENDED = """
def test_the_process_ends_in_the_middle(lowhalf_dump, pytestconfig):
    from lowhalf.pytest_plugin import _PROCESS
    lowhalf_dump("t.bin")
    pytestconfig.stash[_PROCESS]._process.kill()
    pytestconfig.stash[_PROCESS]._process.wait()
    lowhalf_dump("t.bin")
"""


def test_a_process_that_has_ended_is_told_of(tmp_path: Path) -> None:
    files.write(tmp_path)
    (tmp_path / "pytest.ini").write_text(INI, "utf-8")
    (tmp_path / "test_ended.py").write_text(ENDED, "utf-8")
    code, said = run(tmp_path, "-q")
    assert (code, "RuntimeError: lowhalf's process has ended with" in said) == (1, True), said
