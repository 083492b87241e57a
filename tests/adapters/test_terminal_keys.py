"""Single keys in the terminal: what they do, and that the terminal is as it was behind them."""

from __future__ import annotations

import asyncio
import os
import signal
import sys
from collections import deque
from pathlib import Path

import pytest

from adapters.outputs.terminal.keyboard import NoKeyboard
from adapters.outputs.terminal.this_keyboard import keyboard_of
from adapters.outputs.terminal.windows_keyboard import WindowsKeyboard
from tests.adapters.test_last_minute import KEEP, NAME
from tests.adapters.test_terminal_session import child, command
from tests.adapters.tmux_window import Tmux, cursor_is_back, shows, tmux
from tests.commands import files
from tests.commands.test_paces import FIRST, bridge

__all__ = ["tmux"]  # a fixture

in_tmux = pytest.mark.needs("tmux", "tmux")


async def is_as_ever(tmux: Tmux) -> None:
    """The shell's own program says that lines are gathered and shown."""
    tmux.type("clear; stty -a")
    lines = await shows(tmux, [" icanon", " echo "])
    assert not any("-icanon" in line or " -echo " in line for line in lines)


def with_tables(path: Path, tables: str) -> Path:
    path.write_text(path.read_text("utf-8") + tables, "utf-8")
    return path


@in_tmux
async def test_a_key_keeps_the_last_minute(tmux: Tmux, tmp_path: Path) -> None:
    tmux.type(command(with_tables(bridge(tmp_path), KEEP)))
    await shows(tmux, ["build first-print", "k: keep the last minute", "frame "])
    # an arrow is no letter, and what is typed is not shown
    tmux.run("send-keys", "Up")
    tmux.run("send-keys", "-l", "xyz")
    tmux.run("send-keys", "k")
    lines = await shows(tmux, ["kept the last "])
    assert not any("xyz" in line or "[A" in line for line in lines)
    (told,) = [line for line in lines if line.startswith("kept the last ")]
    name = told.rpartition(" ")[2]
    assert NAME.fullmatch(name)
    assert str(tmp_path) not in told
    tmux.run("send-keys", "C-c")
    await shows(tmux, ["code 0"])
    assert tmux.cursor()
    assert (tmp_path / "recordings" / name).stat().st_size
    await is_as_ever(tmux)


@in_tmux
async def test_without_a_recording_it_says_what_is_missing(tmux: Tmux, tmp_path: Path) -> None:
    tmux.run("resize-window", "-x", "120", "-y", "30")
    tmux.type(command(files.write(tmp_path)))
    lines = await shows(tmux, ["● hit"])
    assert not any("keep the last minute" in line for line in lines)
    tmux.run("send-keys", "K")
    await shows(tmux, ["the last minute is not at hand: add [outputs.recording] with keep"])
    tmux.run("send-keys", "C-c")
    await shows(tmux, ["code 0"])


@in_tmux
async def test_keys_step(tmux: Tmux, tmp_path: Path) -> None:
    tmux.type(command(bridge(tmp_path, 'pace = "stepped"')))
    # the first is there at once, and no other
    await shows(tmux, [f"frame {FIRST} ", "space: next frame"])
    tmux.run("send-keys", "Space")
    await shows(tmux, [f"frame {FIRST + 1} "])
    tmux.run("send-keys", "Enter")
    await shows(tmux, [f"frame {FIRST + 2} "])
    tmux.run("send-keys", "-N", "5", "Space")
    await shows(tmux, [f"frame {FIRST + 7} "])
    tmux.run("send-keys", "C-c")
    await shows(tmux, ["code 0"])


@in_tmux
@pytest.mark.skipif(sys.platform != "linux", reason="finds the program in /proc")
@pytest.mark.parametrize("end", ["SIGTERM", "SIGQUIT", "SIGINT", "fault"])
async def test_every_end_gives_the_terminal_back(tmux: Tmux, tmp_path: Path, end: str) -> None:
    path = files.write(tmp_path)
    if end == "fault":
        # the third frame cannot be shown: nobody expects that
        spoilt = tmp_path / "sitecustomize.py"
        spoilt.write_text(
            "from adapters.outputs.terminal.table import TerminalTable as T\n"
            "good, count = T.frame, []\n"
            "def frame(self, *a):\n"
            "    count.append(0)\n"
            "    return 1 / (len(count) < 3) and good(self, *a)\n"
            "T.frame = frame\n",
            "utf-8",
        )
        tmux.type(f"export PYTHONPATH={tmp_path}")
        words = command(path).replace("PYTHONPATH=", f"PYTHONPATH={tmp_path}:")
    else:
        words = command(path)
    tmux.type(words)
    if end != "fault":
        await shows(tmux, ["● hit"], 15)
        os.kill(await child(tmux), getattr(signal, end))
        await shows(tmux, ["code 0"])
    else:
        await shows(tmux, ["ZeroDivisionError", "code "])
        tmux.type("unset PYTHONPATH")
    await is_as_ever(tmux)


@in_tmux
async def test_the_stop_key_and_the_background(tmux: Tmux, tmp_path: Path) -> None:
    # a server without a session ends, and one that just ends takes no new one
    tmux.run("-u", "new-session", "-d", "-x", "100", "-y", "30", "env PS1='$ ' bash --norc -i")
    tmux.run("kill-session", "-t", "0")
    tmux.type(command(bridge(tmp_path, 'pace = "stepped"')).removesuffix("; echo code $?"))
    await shows(tmux, [f"frame {FIRST} "])
    tmux.run("send-keys", "C-z")
    await shows(tmux, ["Stopped"])
    await is_as_ever(tmux)
    # in the background it takes nothing from the shell, nor is it stopped for wanting to
    tmux.type("clear; bg")
    await asyncio.sleep(1.5)
    tmux.type("clear; echo typed; jobs")
    await shows(tmux, ["typed", "Running"])
    tmux.type("fg")
    await eventually_steps(tmux, FIRST + 1)
    tmux.run("send-keys", "C-c")
    await cursor_is_back(tmux)
    await is_as_ever(tmux)


async def eventually_steps(tmux: Tmux, frame: int) -> None:
    """Keys are taken again within a second of being in the foreground."""
    for _ in range(100):
        tmux.run("send-keys", "Space")
        await asyncio.sleep(0.1)
        lines = tmux.lines()
        if any(f"frame {number} " in line for number in range(frame, frame + 60) for line in lines):
            return
    raise AssertionError(tmux.lines())


@in_tmux
async def test_what_is_no_terminal_is_left_alone(tmux: Tmux, tmp_path: Path) -> None:
    line = command(files.write(tmp_path))
    tmux.type(line.replace("; echo code", " </dev/null; echo code"))
    await shows(tmux, ["● hit"], 15)
    # the shell's line is as it was: what is typed is shown
    tmux.run("send-keys", "-l", "seen")
    await shows(tmux, ["seen"])
    tmux.run("send-keys", "C-c")
    await shows(tmux, ["code 0"])


def test_where_there_are_no_keys(tmp_path: Path) -> None:
    assert isinstance(keyboard_of(None, print), NoKeyboard)
    with (tmp_path / "lines").open("w+", encoding="utf-8") as stream:
        keyboard = keyboard_of(stream, print)
    assert isinstance(keyboard, NoKeyboard)
    keyboard.listen()
    keyboard.leave()


class Console:
    """A console in which keys wait."""

    def __init__(self, keys: str) -> None:
        self.keys = deque(keys)

    def kbhit(self) -> bool:
        return bool(self.keys)

    def getwch(self) -> str:
        return self.keys.popleft()


async def test_keys_of_a_windows_console() -> None:
    # Microsoft's documentation of _getwch: a key that is no letter is 0 or 0xE0 and then its code
    console = Console("k\xe0H\0;x")
    pressed: list[str] = []
    keyboard = WindowsKeyboard(console, pressed.append)
    keyboard.listen()
    keyboard.listen()
    await asyncio.sleep(0.01)
    assert pressed == ["k", "x"]
    console.keys.extend("y")
    await asyncio.sleep(0.1)
    assert pressed == ["k", "x", "y"]
    keyboard.leave()
    keyboard.leave()
    console.keys.extend("z")
    await asyncio.sleep(0.1)
    assert pressed == ["k", "x", "y"]


async def test_the_interrupt_key_of_a_windows_console() -> None:
    came: list[int] = []
    pressed: list[str] = []
    before = signal.signal(signal.SIGINT, lambda number, frame: came.append(number))
    try:
        keyboard = WindowsKeyboard(Console("\x03k"), pressed.append)
        keyboard.listen()
        await asyncio.sleep(0.01)
        keyboard.leave()
    finally:
        signal.signal(signal.SIGINT, before)
    assert came == [signal.SIGINT]
    assert pressed == ["k"]
