"""The systemd unit in docs/, and lowhalf as a service runs it: no terminal, ended by SIGTERM."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from adapters.commands.main import main
from tests.commands import files
from tests.commands.command import Running

ROOT = Path(__file__).parent.parent
UNIT = ROOT / "docs" / "lowhalf.service"
PROGRAM = "lowhalf/.venv/bin/lowhalf"


def setting(name: str) -> str:
    """What the unit sets, the last time where it does so more than once."""
    found = re.findall(rf"^{name}=(.*)$", UNIT.read_text("utf-8"), re.MULTILINE)
    assert found, f"the unit sets no {name}"
    return str(found[-1])


@pytest.mark.needs("systemd", "systemd-analyze")
def test_systemd_finds_nothing_wrong_with_the_unit(tmp_path: Path) -> None:
    program = tmp_path / PROGRAM
    program.parent.mkdir(parents=True)
    program.write_text("#!/bin/sh\n")
    program.chmod(0o755)
    home = {**os.environ, "HOME": str(tmp_path), "XDG_RUNTIME_DIR": str(tmp_path)}

    def verified(unit: Path) -> subprocess.CompletedProcess[str]:
        command = ["systemd-analyze", "--user", "verify", str(unit)]
        return subprocess.run(command, capture_output=True, text=True, timeout=30, env=home)

    done = verified(UNIT)
    assert (done.returncode, done.stdout, done.stderr) == (0, "", "")
    wrong = tmp_path / "wrong.service"  # what it would say
    wrong.write_text(UNIT.read_text("utf-8").replace("RestartSec=", "RestartSek="))
    assert "RestartSek" in verified(wrong).stderr


def test_a_wrong_file_is_not_tried_again_and_a_lost_source_is() -> None:
    assert setting("Restart") == "on-failure"
    assert setting("RestartPreventExitStatus") == "2"
    codes = " ".join((ROOT / "docs/reference/exit-codes.md").read_text("utf-8").split())
    assert "| 2 | a file or an argument is wrong | | 3 | the source could not" in codes
    assert "docs/lowhalf.service" in (ROOT / "docs/how-to/service.md").read_text("utf-8")


def test_the_units_command_line_is_one_that_lowhalf_takes(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    program, *words = setting("ExecStart").split()
    assert program == f"%h/{PROGRAM}"
    home = [word.replace("%h", str(tmp_path)) for word in words]
    assert main(home) == 2  # there is no such file, and that is all that is wrong
    assert "harbour.bridge.toml" in capsys.readouterr().err


@pytest.mark.skipif(sys.platform == "win32", reason="Windows has no SIGTERM")
def test_quiet_without_a_terminal(tmp_path: Path) -> None:
    """As systemd runs it: nothing on standard output, plain lines without times on the other."""
    with Running("run", "--quiet", str(files.write(tmp_path)), environment={"LANG": "C"}) as daemon:
        daemon.wait_for("build first-print")
        begun = time.monotonic()
        assert daemon.stop(signal.SIGTERM) == 0
        assert time.monotonic() - begun < float(setting("TimeoutStopSec"))
    assert daemon.printed == []
    assert daemon.logged == ["lowhalf: file t.bin: build first-print"]


def test_the_exit_codes_that_the_unit_tells_apart(tmp_path: Path) -> None:
    path = files.write(tmp_path)
    dump = tmp_path / "t.bin"
    dump.unlink()
    with Running("run", "--quiet", str(path)) as daemon:
        assert daemon.process.wait(20) == 3
    path.write_text("[[watches]\n", "utf-8")
    with Running("run", "--quiet", str(path)) as daemon:
        assert daemon.process.wait(20) == 2
    assert len(daemon.logged) >= 1


def test_without_any_streams(tmp_path: Path) -> None:
    """As pythonw runs it on Windows (docs.python.org, sys.__stdout__): the streams are None."""
    path = files.write(tmp_path)
    words = ["run", "--quiet", "--seconds", "1", str(path)]
    program = (
        "import os, sys\n"
        "sys.stdin = sys.stdout = sys.stderr = None\n"
        "from adapters.commands.main import main\n"
        f"os._exit(10 + main({words!r}))\n"
    )
    command = [sys.executable, "-c", program]
    there = {**os.environ, "PYTHONPATH": str(ROOT)}
    done = subprocess.run(command, capture_output=True, timeout=30, env=there)
    assert (done.returncode, done.stdout, done.stderr) == (10, b"", b"")
    path.write_text("[[watches]\n", "utf-8")
    done = subprocess.run(command, capture_output=True, timeout=30, env=there)
    assert done.returncode == 12
