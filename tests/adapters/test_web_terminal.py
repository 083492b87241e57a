"""The live table in a real terminal, while others make noise."""

from __future__ import annotations

import asyncio
import re
import socket
from pathlib import Path

import pytest

from tests.adapters.test_terminal_session import command
from tests.adapters.tmux_window import Tmux, shows, tmux
from tests.commands import files

__all__ = ["tmux"]  # a fixture

pytestmark = pytest.mark.needs("tmux", "tmux")

PAGES = '[outputs.overlay]\nlisten = "127.0.0.1:0"\n'


def whole_tables(lines: list[str]) -> int:
    """How often the table stands there, with each of its watches."""
    return min(
        sum("Written half" in line and "● hit" in line for line in lines),
        sum(line.startswith("kind") and "lantern" in line for line in lines),
    )


async def test_malformed_requests_leave_the_table_whole(tmux: Tmux, tmp_path: Path) -> None:
    tmux.type(command(files.write(tmp_path, bridge=files.BRIDGE + PAGES)))
    lines = await shows(tmux, ["● hit", "pages at "], 30)
    assert whole_tables(lines) == 1, lines
    found = re.search(r"pages at http://127\.0\.0\.1:(\d+)/", "\n".join(lines))
    assert found is not None
    for _ in range(200):
        with socket.create_connection(("127.0.0.1", int(found[1]))) as peer:
            peer.sendall(b"GET /" + b"a" * 9000 + b" HTTP/1.1\r\nHost: pier\r\n\r\n")
            assert b" 400 " in await asyncio.to_thread(peer.recv, 100)
    # the table is wide enough for this much of the line
    lines = await shows(tmux, ["overlay: a malformed request was refused"], 10)
    await asyncio.sleep(1.5)
    lines = tmux.lines()
    assert sum("malformed" in line for line in lines) == 1
    assert not any("Traceback" in line or "aaaa" in line for line in lines)
    assert whole_tables(lines) == 1, lines
    assert lines[next(i for i, line in enumerate(lines) if "malformed" in line) + 1] != ""


async def test_what_another_program_writes_into_the_table_is_painted_over(
    tmux: Tmux, tmp_path: Path
) -> None:
    """The table's lines do not change: only one that is sent whole mends it."""
    noise = tmp_path / "noise"
    wait = f"until cat {noise} 2>/dev/null; do sleep 0.1; done; sleep 99"
    tmux.type(command(files.write(tmp_path), "--", "sh", "-c", wait))
    lines = await shows(tmux, ["● hit"], 30)
    assert whole_tables(lines) == 1, lines
    written = tmp_path / "written"
    written.write_text("\r\x1b[2K\x1b[A\x1b[2Knoise\x1b[A\x1b[2Knoise\x1b[2B")
    written.rename(noise)
    await shows(tmux, ["noise"], 30)
    assert whole_tables(tmux.lines()) == 0
    for _ in range(300):
        if whole_tables(tmux.lines()) == 1:
            break
        await asyncio.sleep(0.1)
    else:
        raise AssertionError(tmux.lines())
    assert not any("noise" in line for line in tmux.lines())
    tmux.run("send-keys", "C-c")
    await shows(tmux, ["code 0"], 20)
