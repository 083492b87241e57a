"""What lowhalf does on macOS, as far as that can be told on another system.

It believes that it runs there, and all else is that of this machine.  What Apple's documentation
says of other programs' memory (task_for_pid, com.apple.security.cs.debugger) was not tried.
"""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from adapters.commands.attaching import places
from adapters.commands.main import main

ROOT = Path(__file__).parent.parent
NO_WAY = (
    "has no way into processes on macOS, where only root, or a program that is signed as a "
    "debugger, may ask for another's memory; use push, debugger, shared or folder"
)
pytestmark = pytest.mark.posix("macOS is one of these")


def test_every_other_source_does_what_a_source_has_to() -> None:
    """File, folder, shared file, push, serial, debugger and recording; nothing asks ``/proc``."""
    plugins = ("-p", "tests.as_macos", "-p", "no:cacheprovider", "-p", "no:xdist")
    done = subprocess.run(
        [sys.executable, "-m", "pytest", *plugins, "-q", "tests/adapters/test_source_contract.py"],
        capture_output=True,
        text=True,
        cwd=ROOT,
        timeout=300,
    )
    assert done.returncode == 0, done.stdout
    reasons = [line for line in done.stdout.splitlines() if line.startswith("SKIPPED")]
    assert {line.partition(": ")[2] for line in reasons} == {"its host is a program for Linux"}


def test_process_says_what_it_would_need(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    schema = (ROOT / "schemas/games/tidewright.schema.toml").as_posix()
    path = tmp_path / "live.bridge.toml"
    path.write_text(f'schema = "{schema}"\n[source]\nkind = "process"\nname = "tide"\n', "utf-8")
    monkeypatch.setattr(sys, "platform", "darwin")
    assert main(["read", str(path)]) == 3
    assert capsys.readouterr().err == f"lowhalf: process tide: {NO_WAY}\n"


def test_attach_looks_through_what_there_is(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(places, "SHARED_MEMORY", tmp_path / "no such folder")
    monkeypatch.setattr(sys, "platform", "darwin")
    assert main(["attach", str(ROOT / "schemas/games/tidewright.schema.toml")]) == 3
    said = capsys.readouterr().err.splitlines()
    assert f"tried: processes: lowhalf {NO_WAY}" in said
    assert "tried: shared files: 0 of at least 4096 KiB looked through" in said
