"""The search of ``lowhalf plan``: Ctrl-C gives the best so far, a terminal sees how far it is."""

from __future__ import annotations

import json
import os
import re
import signal
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from adapters.commands.main import main
from adapters.commands.planning import searching
from adapters.planning.engines import EngineHere, engine_here
from bridge.planning.find import find
from bridge.planning.outcome import Sought
from tests.commands.command import lowhalf

HOLD = str(Path(__file__).parents[2] / "sample_dumps" / "first-print-stale-hold.bridge.toml")
HARD = [
    *("plan", HOLD, "--want", "mist_puff", "--at", "0x80203010"),
    *("--want", "crate", "--at", "0x80200010", "--seconds", "60"),
]
"""What takes longer than any test waits."""
Capture = pytest.CaptureFixture[str]


@pytest.fixture
def told(monkeypatch: pytest.MonkeyPatch) -> list[Callable[[Sought], object]]:
    """What is done each time that the search tells how far it is."""
    doing: list[Callable[[Sought], object]] = []

    def finding(*given: Any, tell: Callable[[Sought], bool]) -> Any:
        def telling(sought: Sought) -> bool:
            for each in doing:
                each(sought)
            return tell(sought)

        return find(given[0], given[1], given[2], given[3], telling)

    monkeypatch.setattr(searching, "find", finding)
    return doing


def test_ctrl_c_gives_the_best_so_far(
    told: list[Callable[[Sought], object]], capsys: Capture
) -> None:
    seen: list[Sought] = []

    def stop(sought: Sought) -> None:
        seen.append(sought)
        if sought.expanded:
            signal.raise_signal(signal.SIGINT)

    told.append(stop)
    before = signal.getsignal(signal.SIGINT)
    assert main([*HARD, "--json"]) == 4
    assert signal.getsignal(signal.SIGINT) is before
    done = capsys.readouterr()
    found = json.loads(done.out)
    assert (found["proved"], found["verdict"]) == (False, "cut short")
    assert done.err.replace(f"lowhalf: {engine_here().why}\n", "") == ""
    last = seen[-1]
    assert found["frames"] == last.best
    assert found["floor"] >= last.floor > 0
    assert found["found"] is (last.best is not None)


def test_a_terminal_sees_how_far_it_is_and_nothing_of_it_stays(
    told: list[Callable[[Sought], object]], capsys: Capture, monkeypatch: pytest.MonkeyPatch
) -> None:
    lines: list[str] = []

    def stop(sought: Sought) -> None:
        monkeypatch.setattr("sys.stderr.isatty", lambda: True)
        lines.append(capsys.readouterr().err)
        if len(lines) == 3:
            signal.raise_signal(signal.SIGINT)

    monkeypatch.setattr(searching, "_EVERY", 0.0)
    told.append(stop)
    assert main([*HARD, "--json"]) == 4
    shown = "".join([*lines, capsys.readouterr().err])
    shown = shown.replace(f"lowhalf: {engine_here().why}\n", "")
    parts = shown.split("\r")
    first = parts[1].rstrip()
    assert first.startswith("at least ")
    assert "frames, best none yet; " in first
    assert first.endswith(" of 60 s")
    # the last line is cleared, and what follows begins where it did
    assert (parts[-2].strip(), parts[-1]) == ("", "")
    assert len(parts[-2]) >= len(parts[-3].rstrip())


@pytest.mark.posix("pseudo-terminals")
def test_a_real_terminal_is_steered_to_the_beginning_of_its_line() -> None:
    import pty

    ours, theirs = pty.openpty()
    try:
        done = lowhalf(*HARD[:-1], "1", stderr=theirs)
        # what a terminal's line discipline passes on of a process that has ended is all there
        shown = os.read(ours, 1 << 16).decode()
    finally:
        os.close(ours)
        os.close(theirs)
    assert (done.returncode, done.stdout[:10]) == (4, "cut short:")
    parts = [part for part in shown.split("\r") if part.strip()]
    assert parts
    assert all(re.fullmatch(r"at least [\d,]+ frames, best .* of 1 s *", part) for part in parts)
    assert "\\x" not in shown
    assert shown.endswith("\r")


def test_without_the_compiled_engine_it_says_so_and_searches(
    capsys: Capture, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(searching, "engine_here", lambda: EngineHere(None, "it is slow: because"))
    assert main(["plan", HOLD, "--want", "gull", "--at", "courier.held", "--json"]) == 0
    done = capsys.readouterr()
    assert done.err == "lowhalf: it is slow: because\n"
    assert json.loads(done.out)["frames"] == 12
