"""The rig for the tests of Windows: made once, and kept in pytest's cache."""

from __future__ import annotations

import contextlib
import os
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.windows import rig
from tests.windows.wine import Wine


@contextlib.contextmanager
def _one_at_a_time(lock: Path) -> Iterator[None]:
    """The first process makes the rig, and the others wait for it."""
    import fcntl  # not on Windows, where no test asks for Wine

    with lock.open("a") as file:
        fcntl.flock(file, fcntl.LOCK_EX)
        yield


@pytest.fixture(scope="session")
def wine(pytestconfig: pytest.Config, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Wine]:
    """Wine with a CPython; LOWHALF_WINDOWS_RIG names the folder of one that is there already.

    A program that waits keeps Wine's services running: each that finds none starts some, which
    then hold its pipes open for as long as they run.
    """
    folder = Path(
        os.environ.get("LOWHALF_WINDOWS_RIG") or pytestconfig.cache.mkdir("windows") / "rig"
    )
    with _one_at_a_time(folder.with_name(f"{folder.name}.lock")):
        rig.set_up(folder)
    with subprocess.Popen(
        ["wine", "cmd.exe"],
        stdin=subprocess.PIPE,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        env=rig.environment(folder),
    ):
        yield Wine(folder, tmp_path_factory.mktemp("windows"))
