"""``lowhalf run`` in a real terminal (tmux): the terminal is in order whatever ends it."""

from __future__ import annotations

import asyncio
import os
import shlex
import signal
import sys
from pathlib import Path

import pytest

from tests.adapters.desk_daemon import eventually
from tests.adapters.tmux_window import Tmux, cursor_is_back, shows, tmux
from tests.commands import files, practice_files

__all__ = ["tmux"]  # a fixture

pytestmark = pytest.mark.needs("tmux", "tmux")

ROOT = Path(__file__).parents[2]


def command(path: Path, *words: str, **environment: str) -> str:
    """The shell's line that runs lowhalf, and then prints its exit code."""
    given = [f"{name}={value}" for name, value in environment.items()]
    line = [sys.executable, "-m", "adapters.commands", "run", str(path), *words]
    return f"clear; env PYTHONPATH={ROOT} {shlex.join(given + line)}; echo code $?"


async def child(tmux: Tmux) -> int:
    """The process id of the program that runs in the window's shell."""
    shell = tmux.run("display", "-p", "#{pane_pid}").strip()
    for _ in range(100):
        children = Path(f"/proc/{shell}/task/{shell}/children")
        found = await asyncio.to_thread(children.read_text)
        if found.split():
            return int(found.split()[0])
        await asyncio.sleep(0.05)
    raise AssertionError("nothing runs")


@pytest.mark.skipif(sys.platform != "linux", reason="finds the program in /proc")
@pytest.mark.parametrize("end", ["key", "SIGTERM", "SIGINT"])
async def test_the_end_gives_the_terminal_back(tmux: Tmux, tmp_path: Path, end: str) -> None:
    tmux.type(command(files.write(tmp_path)))
    await shows(tmux, ["first-print", "● hit"], 15)
    assert not tmux.cursor()
    process = await child(tmux)
    if end == "key":
        tmux.run("send-keys", "C-c")
    else:
        os.kill(process, getattr(signal, end))
    lines = await shows(tmux, ["code 0"])
    assert tmux.cursor()
    table = next(i for i, line in enumerate(lines) if "● hit" in line)
    assert sum("● hit" in line for line in lines) == 1  # one view, left standing
    assert lines.index("code 0") > table
    assert not any("Traceback" in line for line in lines)
    tmux.type("stty -a")
    await shows(tmux, [" echo "])


async def test_a_fault_leaves_the_terminal_in_order(tmux: Tmux, tmp_path: Path) -> None:
    """The port of the pages is taken: the view is up when that is found out."""
    server = await asyncio.start_server(lambda reader, writer: None, "127.0.0.1", 0)
    port = server.sockets[0].getsockname()[1]
    overlay = f'[outputs.overlay]\nlisten = "127.0.0.1:{port}"\n'
    async with server:
        tmux.type(command(files.write(tmp_path, bridge=files.BRIDGE + overlay)))
        lines = await shows(tmux, ["code 2"], 15)
    assert "stop what uses it" in "".join(lines)
    assert tmux.cursor()


async def test_the_stop_key_gives_the_terminal_back_for_a_while(tmux: Tmux, tmp_path: Path) -> None:
    # a server without a session ends, and one that just ends takes no new one
    tmux.run("-u", "new-session", "-d", "-x", "100", "-y", "30", "env PS1='$ ' bash --norc -i")
    tmux.run("kill-session", "-t", "0")
    tmux.type(command(files.write(tmp_path)))
    await shows(tmux, ["● hit"], 15)
    tmux.run("send-keys", "C-z")
    await shows(tmux, ["Stopped"])
    assert tmux.cursor()
    tmux.type("clear; fg")
    # what stood there before still shows a hit
    await eventually(lambda: not tmux.cursor(), 15, "drawn again")
    await shows(tmux, ["● hit"])
    tmux.run("send-keys", "C-c")
    await cursor_is_back(tmux)


async def test_steps_at_the_sizes_of_terminals(tmux: Tmux, tmp_path: Path) -> None:
    path = practice_files.write(tmp_path, speed=1, repeat=True)
    tmux.run("resize-window", "-x", "120", "-y", "40")
    tmux.type(command(path))
    await shows(tmux, ["build print"])
    for columns, lines in ((120, 40), (80, 24), (40, 12), (60, 8)):
        tmux.run("resize-window", "-x", str(columns), "-y", str(lines))
        shown = await shows(tmux, ["step 1 of 2  corner"])
        assert any(line.startswith("half") for line in shown)
        assert any("hug the wall" in line for line in shown) == (columns > 40)
        shown = await shows(tmux, ["step 2 of 2  door"])
        assert sum(line.startswith("frame ") and "print" in line for line in shown) == 1
    tmux.run("resize-window", "-x", "40", "-y", "5")
    shown = await shows(tmux, ["more lines, in a taller window"])
    assert sum(line.startswith("half") for line in shown) == 1
    assert len(shown) <= 5
    tmux.run("send-keys", "C-c")
    await cursor_is_back(tmux)


async def test_without_colour_and_without_unicode(tmux: Tmux, tmp_path: Path) -> None:
    path = files.write(tmp_path)
    tmux.type(command(path, NO_COLOR="1", PYTHONIOENCODING="ascii"))
    await shows(tmux, ["* hit"])
    screen = tmux.run("capture-pane", "-p", "-e")
    assert "\x1b[3" not in screen.replace("\x1b[39m", "")
    tmux.run("send-keys", "C-c")
    await shows(tmux, ["code 0"])
    tmux.type(command(path, "--seconds", "1", TERM="dumb"))
    await shows(tmux, ["low_x=0xF3B6 (hit)", "code 0"])
