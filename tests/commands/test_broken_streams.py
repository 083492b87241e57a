"""Every command with a standard output or a standard error that is closed, full, or not read.

``/dev/full`` (Linux, full(4)): each write fails with ENOSPC, as on a full disk.  A pipe whose
reader has gone: each write fails with EPIPE (POSIX, write), since Python ignores SIGPIPE.
"""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from tests.commands import files, practice_files
from tests.commands.command import lowhalf
from tests.commands.warm_start import COLD_START, ROOT

SAMPLE = str(ROOT / "sample_dumps" / "second-print-carry.bridge.toml")
FULL = Path("/dev/full")

pytestmark = pytest.mark.skipif(not FULL.exists(), reason="Linux has /dev/full")

COMMANDS = {
    "help": ["--help"],
    "read": ["read", SAMPLE],
    "read --json": ["read", SAMPLE, "--json"],
    "explain": ["explain", SAMPLE, "held_kind"],
    "layout": ["layout", "compare", SAMPLE, "LAYOUT"],
    "where": ["where", SAMPLE, "0x801A1320"],
    "solve": ["solve", "hex", "0x10", "0x20"],
    "heap": ["heap", SAMPLE],
    "heap --json": ["heap", SAMPLE, "--json"],
    "check": ["check", SAMPLE],
    "attempts": ["attempts", "PRACTICE"],
    "attempts --csv": ["attempts", "PRACTICE", "--csv"],
    "tally": ["tally", "PRACTICE"],
    "pack": ["pack", SAMPLE, "PACK", "--force"],
    "overlay-boot": ["overlay-boot", "SERVED"],
    "sources": ["sources"],
    "json-schema": ["json-schema", "bridge"],
    "run": ["run", SAMPLE, "--seconds", "30"],
    "run --json": ["run", SAMPLE, "--json", "--seconds", "30"],
}


@pytest.fixture(scope="module")
def places(tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    """Files that some of the commands need."""
    folder = tmp_path_factory.mktemp("streams")
    practice = practice_files.write(folder)
    done = lowhalf("run", str(practice), "--quiet")
    assert done.returncode == 0, done.stderr
    layout = folder / "saved.layout.toml"
    done = lowhalf("layout", "save", SAMPLE, str(layout))
    assert done.returncode == 0, done.stderr
    served = files.write(
        folder, bridge=files.BRIDGE + '[outputs.overlay]\nlisten = "127.0.0.1:7365"\n'
    )
    return {
        "PRACTICE": str(practice),
        "LAYOUT": str(layout),
        "SERVED": str(served),
        "PACK": str(folder / "t.zip"),
    }


def from_the_start(
    words: list[str],
    *,
    stdout: int | None = subprocess.PIPE,
    stderr: int | None = subprocess.PIPE,
    unbuffered: bool = False,
    prepare: Callable[[], object] | None = None,
) -> subprocess.CompletedProcess[str]:
    """With an interpreter of its own, which makes the streams of what it finds."""
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    environment.pop("PYTHONUNBUFFERED", None)
    if unbuffered:
        environment["PYTHONUNBUFFERED"] = "1"
    return subprocess.run(
        [sys.executable, "-c", COLD_START, *words],
        stdin=subprocess.DEVNULL,
        stdout=stdout,
        stderr=stderr,
        text=True,
        encoding="utf-8",
        env=environment,
        preexec_fn=prepare,
        timeout=60,
    )


@contextmanager
def opened(path: Path) -> Iterator[int]:
    number = os.open(path, os.O_WRONLY)
    try:
        yield number
    finally:
        os.close(number)


def filled(name: str, places: dict[str, str]) -> list[str]:
    return [places.get(word, word) for word in COMMANDS[name]]


def timeless(text: str) -> str:
    """What is printed, but for the time of day at which it was read."""
    return re.sub(r'"time": [0-9.]+', "", text)


def last_line(text: str) -> str:
    return text.splitlines()[-1] if text else ""


@pytest.mark.parametrize(
    ("name", "unbuffered"),
    [
        *((name, None) for name in COMMANDS),
        *((name, way) for name in ("help", "read", "run --json") for way in (True, False)),
    ],
)
def test_a_full_disk_under_standard_output(
    name: str, unbuffered: bool | None, places: dict[str, str]
) -> None:
    words = filled(name, places)
    with opened(FULL) as full:
        if unbuffered is None:
            done = lowhalf(*words, stdout=full)
        else:
            done = from_the_start(words, stdout=full, unbuffered=unbuffered)
    assert done.returncode == 4, done.stderr
    assert "Traceback" not in done.stderr
    assert "Exception ignored" not in done.stderr
    if name.startswith("run"):
        output = "json" if name == "run --json" else "terminal"
        told = f"lowhalf: {output}: cannot write: no space left on device"
    else:
        told = "lowhalf: standard output cannot be written: no space left on device"
    assert last_line(done.stderr) == told


@pytest.mark.parametrize("name", COMMANDS)
def test_a_pipe_whose_reader_has_gone(name: str, places: dict[str, str]) -> None:
    """``lowhalf … | head``: what was wanted has been read, and there is nothing to say."""
    reading, writing = os.pipe()
    os.close(reading)
    try:
        done = lowhalf(*filled(name, places), stdout=writing)
    finally:
        os.close(writing)
    assert done.returncode == 4, done.stderr
    if name.startswith("run"):
        output = "json" if name == "run --json" else "terminal"
        assert last_line(done.stderr) == f"lowhalf: {output}: the reader has closed its end"
    else:
        assert done.stderr == ""


@pytest.mark.parametrize(
    ("name", "cold"),
    [*((name, False) for name in COMMANDS), ("help", True), ("read", True), ("run --json", True)],
)
def test_a_standard_output_that_is_closed_from_the_start(
    name: str, cold: bool, places: dict[str, str]
) -> None:
    """``>&-``: POSIX, Shell Command Language, 2.7.6."""
    words = filled(name, places)
    if cold:
        done = from_the_start(words, stdout=None, prepare=lambda: os.close(1))
    else:
        done = lowhalf(*words, stdout=None)
    assert done.returncode == 4, done.stderr
    assert "Traceback" not in done.stderr
    assert last_line(done.stderr).endswith("bad file descriptor")


@pytest.mark.parametrize("name", COMMANDS)
def test_a_full_disk_under_standard_error_changes_nothing(
    name: str, places: dict[str, str]
) -> None:
    words = ["0.3" if word == "30" else word for word in filled(name, places)]
    usual = lowhalf(*words)
    with opened(FULL) as full:
        done = lowhalf(*words, stderr=full)
    assert (done.returncode, usual.returncode) == (0, 0)
    if not name.startswith("run"):
        assert timeless(done.stdout) == timeless(usual.stdout)
    assert done.stdout


def test_a_fault_that_cannot_be_told_keeps_its_code(tmp_path: Path) -> None:
    missing = str(tmp_path / "no.bridge.toml")
    for words, code in ((["read", missing], 2), (["read", "--nonsense"], 2)):
        with opened(FULL) as full:
            assert from_the_start(words, stderr=full, stdout=full).returncode == code
        done = from_the_start(words, stderr=None, prepare=lambda: os.close(2))
        assert done.returncode == code


def test_a_daemon_with_pages_goes_on_without_a_standard_output_that_is_full(
    tmp_path: Path,
) -> None:
    path = files.write(
        tmp_path, bridge=files.BRIDGE + '[outputs.overlay]\nlisten = "127.0.0.1:0"\n'
    )
    words = [sys.executable, "-c", COLD_START, "run", str(path), "--json"]
    with opened(FULL) as full:
        daemon = subprocess.Popen(
            words,
            stdout=full,
            stderr=subprocess.PIPE,
            text=True,
            env={**os.environ, "PYTHONPATH": str(ROOT)},
        )
    with daemon:
        try:
            assert daemon.stderr is not None
            told = {daemon.stderr.readline().rstrip() for _ in range(3)}
            assert (
                "lowhalf: json: cannot write: no space left on device; nothing more is printed"
                in told
            )
            (url,) = (line.split("pages at ")[1] for line in told if "pages at " in line)
            assert newest(url)["readings"][0]["text"] == "0xF3B6"
            daemon.send_signal(signal.SIGTERM)
            rest = daemon.stderr.read()
            assert daemon.wait(20) == 4
        finally:
            daemon.kill()
    assert rest == "lowhalf: standard output cannot be written: no space left on device\n"


def newest(url: str) -> dict[str, list[dict[str, str]]]:
    import urllib.request

    with urllib.request.urlopen(f"{url}frame.json", timeout=10) as answer:
        found: dict[str, list[dict[str, str]]] = json.load(answer)
        return found


def test_a_daemon_whose_log_cannot_be_written_goes_on(tmp_path: Path) -> None:
    path = files.write(tmp_path)
    with opened(FULL) as full:
        done = lowhalf("run", str(path), "--json", "--seconds", "0.5", stderr=full)
    assert done.returncode == 0
    assert json.loads(done.stdout)["readings"][0]["text"] == "0xF3B6"


def test_the_reader_of_a_running_daemon_goes(tmp_path: Path) -> None:
    """A real ``head``: it ends after the first line, and the daemon with it."""
    practice = practice_files.write(tmp_path, speed=1, repeat=True)
    script = (
        f"{sys.executable} -c '{COLD_START}' run {practice} --json | head -n 1; "
        'echo "code ${PIPESTATUS[0]}"'
    )
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    done = subprocess.run(
        ["bash", "-c", script], capture_output=True, text=True, timeout=60, env=environment
    )
    assert done.stdout.splitlines()[1:] == ["code 4"]
    assert last_line(done.stderr) == "lowhalf: json: the reader has closed its end"
