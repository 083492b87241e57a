"""lowhalf as pip installs it there, with the README's own lines, and with files dropped on it.

What stands in for ``py -m venv`` and ``pip install .``: the embeddable CPython has neither ``venv``
nor ``ensurepip``, so the environment is laid out as PEP 405 has it, with pip from its own wheel;
and what builds a wheel is not run under Wine, so that pip installs one that was built here.
"""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from tests.windows.comparing import NEEDS_WINE
from tests.windows.rig import ROOT, windows_path
from tests.windows.wine import Program, Wine

pytestmark = NEEDS_WINE
SAMPLES = ROOT / "sample_dumps"
WHAT_IS_BUILT = (
    *("adapters", "bridge", "docs", "lowhalf", "sample_dumps", "schemas"),
    *("pyproject.toml", "README.md", "LICENSE", "MANIFEST.in"),
)
NO_MANUAL = "raise SystemExit('the manual is not what is tested')\n"
ASKED = """
import msvcrt
msvcrt.kbhit = lambda: False
msvcrt.getwch = lambda: open("asked.txt", "w").close()
"""
"""In place of a person who presses a key."""

DROPPED = r"""
import subprocess, sys
program, *paths = sys.argv[1:]
for path in paths:
    words = f'"{program}" ' + (f'"{path}"' if " " in path else path)
    done = subprocess.run(words, capture_output=True, stdin=subprocess.DEVNULL)
    print(done.returncode, b"27.4404" in done.stdout, done.stderr, flush=True)
"""
"""Starts the program as the desktop does with each file that is dropped on it: with its path, in
quotes only where it has spaces (common practice, no source)."""


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("wheel")
    source = folder / "source"
    source.mkdir()
    for name in WHAT_IS_BUILT:
        copy = shutil.copytree if (ROOT / name).is_dir() else shutil.copy
        copy(ROOT / name, source / name)
    (source / "sphinx.py").write_text(NO_MANUAL)
    words = [sys.executable, "-m", "pip", "wheel", "-q", "--no-deps", "--no-build-isolation"]
    subprocess.run([*words, "-w", str(folder), str(source)], check=True, cwd=folder)
    (found,) = folder.glob("lowhalf-*.whl")
    return found


@pytest.fixture(scope="module")
def place(wine: Wine, wheel: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with an environment, ``.venv``, into which pip has installed the wheel.

    lowhalf's dependencies are the rig's: that pip takes wheels for Windows, the rig shows.
    """
    folder = tmp_path_factory.mktemp("night (1) & more")
    python, scripts = wine.folder / "python", folder / ".venv" / "Scripts"
    packages = folder / ".venv" / "Lib" / "site-packages"
    packages.mkdir(parents=True)
    scripts.mkdir()
    for name in ("python.exe", "*.dll", "python311.zip"):
        for file in python.glob(name):
            shutil.copy(file, scripts)
    (folder / ".venv" / "pyvenv.cfg").write_text(
        f"home = {windows_path(python)}\ninclude-system-site-packages = false\n", "utf-8"
    )
    libraries = windows_path(python / "Lib" / "site-packages")
    (packages / "libraries.pth").write_text(f"{libraries}\n", "utf-8")
    command = [sys.executable, "-m", "pip", "download", "-q", "--no-deps", "-d", str(folder)]
    subprocess.run([*command, "pip"], check=True)
    (pip,) = folder.glob("pip-*.whl")
    shutil.unpack_archive(pip, packages, "zip")
    words = ["-m", "pip", "install", "--no-deps", "--no-index", "--no-warn-script-location"]
    with Program(
        wine.folder,
        [windows_path(scripts / "python.exe"), *words, windows_path(wheel)],
        folder,
    ) as installing:
        assert installing.join() == 0, installing.errors
    (packages / "sitecustomize.py").write_text(ASKED)
    return folder


def commands(heading: str) -> list[str]:
    """What the README has people on Windows type, under a heading."""
    text = (ROOT / "README.md").read_text("utf-8")
    section = re.search(rf"^## {heading}\n(.*?)(?=^## |\Z)", text, re.M | re.S)
    assert section is not None
    (block,) = re.findall(r"^```bat\n(.*?)^```$", section[1], re.M | re.S)
    return str(block).splitlines()


def run(wine: Wine, place: Path, *words: str) -> Program:
    """A program that has ended."""
    with Program(wine.folder, words, place) as program:
        program.join()
        return program


def typed(wine: Wine, place: Path, line: str) -> Program:
    """``cmd`` that was given a line as one types it, and has ended."""
    with Program(wine.folder, ["cmd"], place) as program:
        program.write(line)
        program.interrupt()
        return program


def test_the_lines_that_stand_for_the_environment() -> None:
    assert commands("Run the demo")[:2] == [
        "py -m venv .venv",
        r".venv\Scripts\pip install --quiet .",
    ]
    assert commands("Run the tests")[:1] == [r'.venv\Scripts\pip install --quiet -e ".[dev]"']


def test_pip_is_a_program_of_the_environment_and_so_is_lowhalf(wine: Wine, place: Path) -> None:
    assert (place / ".venv/Scripts/lowhalf.exe").read_bytes()[:2] == b"MZ"
    said = "import adapters.commands as c; print(c.__file__)"
    shown = run(wine, place, r".venv\Scripts\python.exe", "-c", said)
    packages = windows_path(place / ".venv" / "Lib" / "site-packages")
    assert shown.lines == [rf"{packages}\adapters\commands\__init__.py"]


def test_the_readmes_demo(wine: Wine, place: Path) -> None:
    *_, demo = commands("Run the demo")
    assert demo == r".venv\Scripts\lowhalf demo"
    shown = typed(wine, place, f"{demo} --listen 127.0.0.1:0 --seconds 3")
    assert any("pages at http://127.0.0.1:" in line for line in shown.errors), shown.errors[-5:]
    assert any("build first-print" in line for line in shown.errors), shown.errors[-5:]
    assert any("held_x_low" in line for line in shown.lines), shown.lines


@pytest.mark.full
def test_the_readmes_tests(wine: Wine, place: Path) -> None:
    """One module of them: all are another test's."""
    *_, tests = commands("Run the tests")
    module = windows_path(ROOT / "tests" / "bridge" / "test_half_functions.py")
    shown = typed(wine, place, f"{tests} -p no:cacheprovider -q {module}")
    assert re.search(r"^\d+ passed in ", "\n".join(shown.lines), re.M), shown.lines


@pytest.fixture(scope="module")
def night(place: Path) -> Path:
    """A dump and its bridge file, to be copied wherever they are tried."""
    folder = place / "night"
    folder.mkdir()
    shutil.copy(SAMPLES / "first-print-carry.bin.gz", folder / "quay.bin.gz")
    text = (SAMPLES / "first-print-carry.bridge.toml").read_text("utf-8")
    schema = windows_path(ROOT / "schemas" / "games").replace("\\", "/")
    (folder / "quay.bridge.toml").write_text(text.replace("../schemas/games", schema), "utf-8")
    return folder


NAMES = ["a&b^c%PATH%100%!d!(e)", "Möwe & 海 %PATH% ^(1)! 'x' #1 [a];b,c=d `e$f@~"]
MORE = ["plain", "a b", "a&b", "a & b", "a^b", "100%", "%PATH%", "hey!", "a(b)", "(1) x", "Möwe 海"]
MORE += ["a;b,c=d", "x'y", "#1 [a]", "a`b$c", "@x", "-x", "~", "--help", "a.b.c", "read"]
MORE += ["/".join(["long"] * 60)]


def dropped(wine: Wine, place: Path, night: Path, names: list[str]) -> None:
    paths = []
    for name in names:
        folder = place / name
        shutil.copytree(night, folder)
        dump = folder / f"{folder.name}.bin.gz"
        (folder / "quay.bin.gz").rename(dump)
        paths.append(windows_path(dump))
    program = windows_path(place / ".venv" / "Scripts" / "lowhalf.exe")
    script = place / "dropped.py"
    script.write_text(DROPPED, "utf-8")
    python = r".venv\Scripts\python.exe"
    shown = run(wine, place, python, windows_path(script), program, *paths)
    assert shown.lines == ["0 True b''"] * len(paths), dict(zip(names, shown.lines, strict=False))


def test_a_file_of_any_name_can_be_dropped(wine: Wine, place: Path, night: Path) -> None:
    """The value of the first-print carry: tests/test_samples.py."""
    dropped(wine, place, night, NAMES)


@pytest.mark.full
@pytest.mark.parametrize("name", MORE)
def test_files_of_many_names_can_be_dropped(
    wine: Wine, place: Path, night: Path, name: str
) -> None:
    dropped(wine, place, night, [name])


@pytest.mark.full
def test_what_cannot_be_opened_is_told(wine: Wine, place: Path) -> None:
    """A drive, a share that is not there, a device; all by one interpreter."""
    program = windows_path(place / ".venv" / "Scripts" / "lowhalf.exe")
    script = place / "dropped.py"
    script.write_text(DROPPED, "utf-8")
    paths = ["Z:\\", r"\\nobody\night\quay.bin", r".\nul", "-"]
    shown = run(wine, place, r".venv\Scripts\python.exe", windows_path(script), program, *paths)
    drive, share, device, option = shown.lines
    assert "is a folder" in drive
    assert "quay.bin cannot be read: " in share
    assert "nul names a device on Windows" in device
    assert "invalid choice" in option
    assert all(line.startswith("2 False") for line in shown.lines)


@pytest.mark.parametrize(
    ("words", "asked"),
    [
        # a console of its own, as the desktop makes it
        (["start", "/wait", r".venv\Scripts\lowhalf.exe", "note.txt"], True),
        pytest.param(
            ["start", "/wait", "cmd", "/c", r".venv\Scripts\lowhalf.exe", "note.txt"],
            False,
            marks=pytest.mark.full,
        ),
    ],
)
def test_a_key_is_waited_for_where_the_window_would_close(
    wine: Wine, place: Path, words: list[str], asked: bool
) -> None:
    (place / "note.txt").write_text("ebb and flood", "utf-8")
    (place / "asked.txt").unlink(missing_ok=True)
    run(wine, place, *words)
    assert (place / "asked.txt").exists() is asked
