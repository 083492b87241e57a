"""A package of somebody else's adds functions: installed, found by name, and evaluated.

The module is the one that the manual's page shows, so that the page is tested with it.  The
packages are made as an installer leaves them: modules beside a ``.dist-info`` with METADATA (core
metadata, PEP 566) and ``entry_points.txt`` (the entry points specification of the Python
Packaging User Guide).
"""

from __future__ import annotations

import os
import re
import subprocess
import sys
import zipfile
from collections.abc import Callable, Iterator
from importlib.util import find_spec
from pathlib import Path

import pytest

from adapters.commands.main import main
from adapters.functions import installed_functions
from adapters.outputs.web.names import names
from bridge.evaluation.evaluator import Evaluator
from bridge.expressions.compiling import check
from bridge.memory.image import Image
from bridge.paths.derivation import explain
from bridge.prepared import memory_map, prepare
from schemas.compiler import load_schema
from schemas.errors import ExtensionError
from schemas.loader import load_bridge
from tests.manual import page

SCHEMA = """
[game]
name = "Tidewright"
[memory]
endian = "big"
regions = [ { name = "ram", start = 0x8000_0000, size = "4 KiB" } ]
[symbols]
tide = "u16"
[builds.only]
at = { tide = 0x8000_0010 }
"""
BRIDGE = """
schema = "t.schema.toml"
[source]
kind = "file"
path = "t.bin"
byte_order = "big"
[[watches]]
name = "mirror"
expr = "mirrored(tide, 12) + 1"
"""
PAGE = page("extending/functions.md")
SHOWN = re.findall(r"^```python\n(.*?)^```$", PAGE, re.M | re.S)
(ENTRY,) = re.findall(r'^mirrored = "(.*)"$', PAGE, re.M)
MODULE = (
    "\n".join(SHOWN)
    + """
from bridge.expressions.frame_functions.frame_before import Previous
from bridge.expressions.functions.over_frames import over_frames

BEFORE = Function("before(x)", "x a frame ago", (1, 1), over_frames(Previous), True)


def check_huge(checker, tree):
    number = checker.whole_number(tree.args[0])
    return nodes.Apply(checker.text(tree), INTEGER, lambda value: 1 << value, (number,))


HUGE = Function("huge(x)", "two to the x", (1, 1), check_huge)


def check_faulty(checker, tree):
    number = checker.number(tree.args[0])
    return nodes.Apply(checker.text(tree), INTEGER, lambda value: {}[value], (number,))


FAULTY = Function("faulty(x)", "nothing", (1, 1), check_faulty)
BROKEN = Function("broken(x)", "nothing", (1, 1), lambda checker, tree: tree.nothing)
EMPTY = Function("empty(x)", "nothing", (1, 1), lambda checker, tree: None)
WORDS = "no function"
"""
)


def installed(folder: Path, package: str, entries: str, module: str = MODULE) -> None:
    """A package as pip leaves it in a folder of packages."""
    name = package.replace("-", "_")
    folder.mkdir(exist_ok=True)
    (folder / f"{name}.py").write_text(module, "utf-8")
    made = folder / f"{name}-1.4.dist-info"
    made.mkdir()
    metadata = f"Metadata-Version: 2.1\nName: {package}\nVersion: 1.4\n"
    (made / "METADATA").write_text(metadata, "utf-8")
    (made / "entry_points.txt").write_text(f"[lowhalf.functions]\n{entries}\n", "utf-8")


@pytest.fixture
def game(tmp_path: Path) -> Path:
    (tmp_path / "t.schema.toml").write_text(SCHEMA, "utf-8")
    (tmp_path / "t.bin").write_bytes(bytes(0x10) + (0x123).to_bytes(2, "big") + bytes(0xFEE))
    bridge = tmp_path / "t.bridge.toml"
    bridge.write_text(BRIDGE, "utf-8")
    return bridge


def in_own_process(packages: Path, *arguments: str | Path) -> tuple[int, str, str]:
    """Exit code and both streams of the command, where *packages* are installed from the start."""
    done = subprocess.run(
        [sys.executable, "-m", "adapters.commands", *map(str, arguments)],
        env={**os.environ, "PYTHONPATH": os.pathsep.join([str(packages), *sys.path])},
        capture_output=True,
        text=True,
        encoding="utf-8",
        check=False,
    )
    return done.returncode, done.stdout, done.stderr


Command = Callable[..., tuple[int, str, str]]


@pytest.fixture
def lowhalf(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> Iterator[Command]:
    """The same in this process, which is quicker."""

    def run(packages: Path, *arguments: str | Path) -> tuple[int, str, str]:
        monkeypatch.syspath_prepend(packages)
        code = main([*map(str, arguments)])
        return code, *capsys.readouterr()

    yield run
    for name in [name for name in sys.modules if name.startswith("tide_")]:
        del sys.modules[name]


def test_the_read_command_evaluates_a_function_of_an_installed_package(
    tmp_path: Path, game: Path
) -> None:
    packages = tmp_path / "packages"
    installed(packages, "tide-functions", f"mirrored = {ENTRY}")
    watches = ("--watch", "mirror", "--watch", "mirrored(7, 3)")
    code, printed, told = in_own_process(packages, "read", game, *watches)
    assert (code, told) == (0, "")
    # 0x123 of 12 bits is 0001 0010 0011, and 1100 0100 1000 from behind
    rows = [line.split() for line in printed.splitlines()[1:]]
    assert rows == [["mirror", str(0b1100_0100_1000 + 1)], ["mirrored(7,", "3)", "7"]]


@pytest.mark.skipif(find_spec("pip") is None, reason="this Python has no pip")
def test_a_package_that_pip_installed_from_a_wheel_is_found(tmp_path: Path, game: Path) -> None:
    wheel = tmp_path / "tide_functions-1.4-py3-none-any.whl"
    about = "tide_functions-1.4.dist-info"
    with zipfile.ZipFile(wheel, "w") as file:
        file.writestr("tide_functions.py", MODULE)
        file.writestr(
            f"{about}/METADATA", "Metadata-Version: 2.1\nName: tide-functions\nVersion: 1.4\n"
        )
        file.writestr(
            f"{about}/WHEEL", "Wheel-Version: 1.0\nRoot-Is-Purelib: true\nTag: py3-none-any\n"
        )
        file.writestr(
            f"{about}/entry_points.txt",
            "[lowhalf.functions]\nmirrored = tide_functions:MIRRORED\n",
        )
        file.writestr(f"{about}/RECORD", "")
    packages = tmp_path / "packages"
    pip = [sys.executable, "-m", "pip", "install", "--quiet", "--no-index", "--no-deps"]
    subprocess.run([*pip, "--no-cache-dir", "--target", packages, wheel], check=True)
    code, printed, told = in_own_process(packages, "read", game)
    assert (code, told) == (0, "")
    assert printed.splitlines()[1].split() == ["mirror", str(0b1100_0100_1000 + 1)]


@pytest.mark.parametrize(
    "words",
    [
        "check BRIDGE",
        "explain BRIDGE mirror",
        "where BRIDGE 0x8000_0010",
        "solve write BRIDGE tide --want 5",
        "run BRIDGE --quiet --seconds 0.1",
    ],
)
def test_other_commands_know_it_as_well(
    tmp_path: Path, game: Path, words: str, lowhalf: Command
) -> None:
    packages = tmp_path / "packages"
    installed(packages, "tide-functions", "mirrored = tide_functions:MIRRORED")
    arguments = [game if word == "BRIDGE" else word for word in words.split()]
    code, _printed, told = lowhalf(packages, *arguments)
    assert "unknown function" not in told
    assert code == 0


def test_without_the_package_the_function_is_unknown(
    tmp_path: Path, game: Path, lowhalf: Command
) -> None:
    code, _printed, told = lowhalf(tmp_path, "read", game)
    assert code == 2
    assert "unknown function mirrored" in told


def test_what_it_cannot_compute_and_what_is_too_wide_are_errors_of_the_watch(
    tmp_path: Path, game: Path, lowhalf: Command
) -> None:
    packages = tmp_path / "packages"
    entries = "mirrored = tide_functions:MIRRORED\nhuge = tide_functions:HUGE"
    installed(packages, "tide-functions", entries)
    code, printed, told = lowhalf(
        packages,
        "read",
        game,
        "--watch",
        "mirrored(tide, 4)",
        "--watch",
        "huge(tide) * huge(5000) > 0",
    )
    assert (code, told) == (1, "")
    assert "mirrored(tide, 4): 291 has more than 4 bits" in printed
    assert "the result has more than 1024 bits" in printed


def test_what_a_function_raises_by_mistake_is_an_error_of_the_watch_alone(
    tmp_path: Path, game: Path, lowhalf: Command
) -> None:
    packages = tmp_path / "packages"
    entries = "mirrored = tide_functions:MIRRORED\nfaulty = tide_functions:FAULTY"
    installed(packages, "tide-functions", entries)
    code, printed, told = lowhalf(
        packages, "read", game, "--watch", "faulty(tide)", "--watch", "mirror"
    )
    assert (code, told) == (1, "")
    assert "faulty(tide): faulty failed (KeyError: 291)" in printed
    assert str(0b1100_0100_1000 + 1) in printed


@pytest.mark.parametrize(
    ("name", "message"),
    [
        (
            "broken",
            "broken of lowhalf.functions: its check failed (AttributeError: 'Call' object has no "
            "attribute 'nothing'); update it",
        ),
        ("empty", "empty of lowhalf.functions: its check: expected a node, found None"),
    ],
)
def test_a_check_that_fails_itself_is_told_with_its_package(
    tmp_path: Path, game: Path, name: str, message: str, lowhalf: Command
) -> None:
    packages = tmp_path / "packages"
    entries = f"mirrored = tide_functions:MIRRORED\n{name} = tide_functions:{name.upper()}"
    installed(packages, "tide-functions", entries)
    code, _printed, told = lowhalf(packages, "read", game, "--watch", f"{name}(tide)")
    assert code == 2
    assert told == f"lowhalf: package tide-functions 1.4: {message}\n"


def test_a_function_over_frames_keeps_its_state(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    packages = tmp_path / "packages"
    installed(packages, "tide-frames", "before = tide_frames:BEFORE")
    monkeypatch.syspath_prepend(packages)
    (tmp_path / "t.schema.toml").write_text(SCHEMA, "utf-8")
    schema = load_schema(tmp_path / "t.schema.toml")
    layout, memory = schema.builds["only"], memory_map(schema)
    program = check(layout, {"was": "before(tide)"}, functions=installed_functions())
    evaluator = Evaluator(program, layout, memory, whole=True)
    seen = []
    for number, tide in enumerate((5, 9, 2)):
        ram = bytes(0x10) + tide.to_bytes(2, "big") + bytes(0xFEE)
        evaluator.evaluate(Image.of(memory, [ram]), number)
        evaluator.commit()
        seen.append(evaluator.values[program.watches["was"]])
    assert seen == [None, 5, 9]


def test_pages_complete_it_and_questions_know_it(
    game: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    packages = tmp_path / "packages"
    installed(packages, "tide-names", "mirrored = tide_names:MIRRORED")
    monkeypatch.syspath_prepend(packages)
    bridge = load_bridge(game)
    prepared = prepare(bridge, installed_functions())["only"]
    known = names(bridge.schema, prepared, prepared.watches, "only")["functions"]
    assert known[-1] == {
        "name": "mirrored",
        "call": "mirrored(x, n)",
        "doc": "the low n bits of x in the other order",
    }
    asked, steps = explain(prepared, {"mirror": "mirrored(tide, 12) + 1"}, "mirrored(tide, 9)")
    assert "mirrored(tide, 9)" in [slot.text for slot in asked.program.slots]
    assert [step.kind for step in steps] == ["symbol", "value", "result"]


@pytest.mark.parametrize(
    ("entries", "message"),
    [
        (
            "low = tide_faults:MIRRORED",
            "package tide-faults 1.4: low of lowhalf.functions is lowhalf's own; the package needs "
            "another name",
        ),
        (
            "mirrored = tide_faults:WORDS",
            "package tide-faults 1.4: mirrored of lowhalf.functions: expected a "
            "bridge.expressions.functions.function.Function, found 'no function'",
        ),
        (
            "other = tide_faults:MIRRORED",
            "package tide-faults 1.4: other of lowhalf.functions: its form: expected other(…), "
            "found mirrored(x, n)",
        ),
        (
            "mirrored.x = tide_faults:MIRRORED",
            "package tide-faults 1.4: mirrored.x of lowhalf.functions: expected a name that an "
            "expression can call",
        ),
        (
            "mirrored = tide_faults:GONE",
            "package tide-faults 1.4: mirrored of lowhalf.functions: tide_faults:GONE cannot be "
            "loaded (AttributeError: module 'tide_faults' has no attribute 'GONE'); update or "
            "uninstall it",
        ),
        (
            "mirrored = tide_elsewhere:MIRRORED",
            "package tide-faults 1.4: mirrored of lowhalf.functions: tide_elsewhere:MIRRORED "
            "cannot be loaded (ModuleNotFoundError: No module named 'tide_elsewhere'); update or "
            "uninstall it",
        ),
    ],
)
def test_what_is_wrong_with_a_package_is_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, entries: str, message: str
) -> None:
    installed(tmp_path / "packages", "tide-faults", entries)
    monkeypatch.syspath_prepend(tmp_path / "packages")
    with pytest.raises(ExtensionError) as caught:
        installed_functions()
    assert str(caught.value) == message
    assert caught.value.package == "tide-faults 1.4"


def test_two_packages_cannot_add_one_name(tmp_path: Path, game: Path, lowhalf: Command) -> None:
    packages = tmp_path / "packages"
    installed(packages, "tide-one", "mirrored = tide_one:MIRRORED")
    installed(packages, "tide-two", "mirrored = tide_two:MIRRORED")
    code, _printed, told = lowhalf(packages, "read", game)
    assert code == 2
    assert told == (
        "lowhalf: package tide-two 1.4: mirrored of lowhalf.functions is also in package tide-one "
        "1.4; uninstall one of the two\n"
    )
