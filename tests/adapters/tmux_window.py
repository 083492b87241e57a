"""A real terminal for tests: a tmux server of the test's own with one window."""

from __future__ import annotations

import asyncio
import os
import subprocess
import time
from collections.abc import AsyncIterator, Sequence
from pathlib import Path

import pytest


class Tmux:
    """Ended by its own socket; *run* gives what a tmux command prints."""

    def __init__(self, socket: Path) -> None:
        self._socket = str(socket)

    def run(self, *words: str) -> str:
        command = ["tmux", "-S", self._socket, "-f", os.devnull, *words]
        done = subprocess.run(
            command, capture_output=True, text=True, encoding="utf-8", timeout=10, check=True
        )
        return done.stdout

    def type(self, line: str) -> None:
        """A line, and the return key."""
        self.run("send-keys", "-l", line)
        self.run("send-keys", "Enter")

    def lines(self) -> list[str]:
        return [line.rstrip() for line in self.run("capture-pane", "-p").splitlines()]

    def cursor(self) -> bool:
        """Whether the cursor is shown."""
        return self.run("display", "-p", "#{cursor_flag}").strip() == "1"


async def cursor_is_back(tmux: Tmux, seconds: float = 20) -> None:
    """What ran has put the terminal's cursor back."""
    end = time.monotonic() + seconds
    while not tmux.cursor():
        assert time.monotonic() < end, tmux.lines()
        await asyncio.sleep(0.05)


@pytest.fixture
async def tmux(tmp_path: Path) -> AsyncIterator[Tmux]:
    made = Tmux(tmp_path / "tmux")
    made.run("-u", "new-session", "-d", "-x", "100", "-y", "20", "env PS1='$ ' sh")
    yield made
    made.run("kill-server")


async def shows(tmux: Tmux, wanted: Sequence[str], seconds: float = 20) -> list[str]:
    """The screen's lines once each of the wanted texts is in one of them."""
    end = time.monotonic() + seconds
    while True:
        lines = tmux.lines()
        if all(any(word in line for line in lines) for word in wanted):
            return lines
        assert time.monotonic() < end, lines
        await asyncio.sleep(0.1)
