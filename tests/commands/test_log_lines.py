"""The log on standard error: a source's words must not steer the terminal."""

from __future__ import annotations

import asyncio
import gc
import logging
import re
import sys
import threading
import warnings
from pathlib import Path

import pytest

from adapters.commands.console.log_lines import log_to


def test_a_line_on_standard_error_cannot_steer_the_terminal(
    capsys: pytest.CaptureFixture[str],
) -> None:
    """ECMA-48: ESC and CSI begin what a terminal obeys; U+202E turns the direction of a line."""
    with log_to([]):
        logging.getLogger("lowhalf").warning("%s: is gone", "a\x1b[2J\x9b31m\n\u202eb")
    assert capsys.readouterr().err == "lowhalf: a\\x1b[2J\\x9b31m\\x0a\\u202eb: is gone\n"


def test_nothing_is_logged_once_the_daemon_has_ended(capsys: pytest.CaptureFixture[str]) -> None:
    with log_to([]):
        pass
    logging.getLogger("lowhalf").info("too late")
    assert capsys.readouterr().err == ""


# What others would write to standard error


def logged(capsys: pytest.CaptureFixture[str]) -> list[str]:
    captured = capsys.readouterr()
    assert captured.out == ""
    return [re.sub(r"in \d+ s\)", "in N s)", line) for line in captured.err.splitlines()]


def test_other_loggers_are_lines_of_ours_and_counted(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    # the test runner's handlers stumble over words that do not fit their format
    monkeypatch.setattr(logging.getLogger(), "handlers", [])
    with log_to([]):
        for number in range(5):
            try:
                raise OSError(9, f"Bad file\x1b[2J descriptor {number}")
            except OSError:
                logging.getLogger("asyncio").exception("Task exception\nof a task %s", number)
        logging.getLogger("asyncio").info("no warning")
        logging.getLogger("mqtt").warning("%d", "no number")
        logging.getLogger("mqtt").warning("a" * 5000)
    place = f"(test_log_lines.py line {_line('raise OSError(9')})"
    first = "lowhalf: asyncio: Task exception: OSError: [Errno 9] Bad file\\x1b[2J descriptor"
    assert logged(capsys) == [
        f"{first} 0 {place}",
        "lowhalf: mqtt: %d",
        f"lowhalf: mqtt: {'a' * 293}…",
        f"{first} 4 {place} (4 more in N s)",
    ]


def test_a_task_whose_exception_nobody_asked_for_is_one_line(
    capsys: pytest.CaptureFixture[str],
) -> None:
    async def fails() -> None:
        raise ValueError("lamp")

    async def work() -> None:
        for _ in range(3):
            task = asyncio.create_task(fails())
            await asyncio.sleep(0)
            await asyncio.sleep(0)
            del task
            gc.collect()

    with log_to([]):
        asyncio.run(work())
    line = "lowhalf: asyncio: Task exception was never retrieved: ValueError: lamp"
    place = f"(test_log_lines.py line {_line('raise ValueError(')})"
    assert logged(capsys) == [f"{line} {place}", f"{line} {place} (2 more in N s)"]


def test_warnings_threads_and_what_the_interpreter_ignores_are_lines_of_ours(
    capsys: pytest.CaptureFixture[str],
) -> None:
    class Lamp:
        def __del__(self) -> None:
            raise KeyError("oil")

    def fails() -> None:
        raise ValueError("lamp")

    hooks = sys.unraisablehook, threading.excepthook, warnings.showwarning
    with log_to([]):
        with warnings.catch_warnings():
            warnings.simplefilter("always")
            warnings.warn("the pier is old", DeprecationWarning, stacklevel=1)
        Lamp()
        thread = threading.Thread(target=fails, name="keeper")
        thread.start()
        thread.join()
    assert hooks == (sys.unraisablehook, threading.excepthook, warnings.showwarning)
    warned, lost, ended = logged(capsys)
    assert "test_log_lines.py:" in warned
    assert warned.startswith("lowhalf: py.warnings: ")
    assert warned.endswith(": DeprecationWarning: the pier is old")
    oil, lamp = _line('raise KeyError("oil"'), _last_line('raise ValueError("lamp"')
    name = f"{Lamp.__qualname__}.__del__"
    assert lost == (
        f"lowhalf: python: lost in {name}: KeyError: 'oil' (test_log_lines.py line {oil})"
    )
    assert ended == (
        f"lowhalf: python: thread keeper ended: ValueError: lamp (test_log_lines.py line {lamp})"
    )


def test_nothing_is_left_behind(capsys: pytest.CaptureFixture[str]) -> None:
    before = list(logging.getLogger().handlers)
    with log_to([]):
        assert len(logging.getLogger().handlers) == len(before) + 1
    assert logging.getLogger().handlers == before
    assert capsys.readouterr().err == ""


def _lines(text: str) -> list[int]:
    source = Path(__file__).read_text("utf-8").splitlines()
    return [at for at, line in enumerate(source, 1) if line.strip().startswith(text)]


def _line(text: str) -> int:
    return _lines(text)[0]


def _last_line(text: str) -> int:
    return _lines(text)[-1]
