"""What is painted is what a terminal shows, and costs few bytes."""

from __future__ import annotations

import asyncio
import os
import random
import re
import time
from pathlib import Path

import pytest

from adapters.outputs.terminal.line import Line, Style
from adapters.outputs.terminal.output import BYTES_A_SECOND
from adapters.outputs.terminal.painter import Painter
from adapters.outputs.terminal.table import TerminalTable
from bridge.readings.reading import Watch
from bridge.values.value_type import INTEGER
from tests.adapters.made_frames import frame, good
from tests.adapters.running import running
from tests.adapters.test_terminal import made, terminal, thread
from tests.adapters.tmux_window import Tmux, tmux

__all__ = ["thread", "tmux"]  # fixtures

SIZE = os.terminal_size((100, 20))
COLOUR = re.compile(r"\x1b\[[0-9;]*3[0-9]")
WORDS = ("lamp", "oil 812", "0x2B6D", "● hit", "○ +2.75 to go", "  ", "灯台", "é", "e\u0301", "")
BUOYS = [Watch(f"buoy_{i}", f"Buoy {i}", f"buoys[{i}]", INTEGER) for i in range(50)]


def plain(*texts: str) -> list[Line]:
    return [((text, Style.PLAIN),) for text in texts]


def test_nothing_new_is_nothing_sent() -> None:
    painter = Painter(colour=True)
    assert painter.paint(plain("lamp oil 812"), SIZE) == "\x1b[?25llamp oil 812"
    assert painter.paint(plain("lamp oil 812"), SIZE) == ""


def test_only_what_changed_is_sent() -> None:
    painter = Painter(colour=True)
    painter.paint(plain("lamp oil 812", "east 117.25"), SIZE)
    assert painter.paint(plain("lamp oil 813", "east 117.25"), SIZE) == "\x1b[1A\x1b[12G3\x1b[1B"
    assert painter.paint(plain("lamp oil 813", "east 11"), SIZE) == "\x1b[8G\x1b[K"


def test_a_style_is_sent_where_it_changes() -> None:
    painter = Painter(colour=True)
    painter.paint([(("hit", Style.MISS),)], SIZE)
    assert painter.paint([(("hit", Style.HIT),)], SIZE) == "\r\x1b[0;1;36mhit\x1b[m"


def test_without_colour_there_is_emphasis_and_no_colour() -> None:
    lines: list[Line] = [((f"{style.name} ", style),) for style in Style]
    assert COLOUR.search(Painter(colour=True).paint(lines, SIZE))
    text = Painter(colour=False).paint(lines, SIZE)
    assert not COLOUR.search(text)
    assert "\x1b[0;1mHIT" in text


def test_the_end_gives_the_cursor_back() -> None:
    painter = Painter(colour=True)
    assert painter.end() == ""
    painter.paint(plain("lamp"), SIZE)
    assert painter.end() == "\r\n\x1b[?25h"
    assert painter.end() == ""
    assert painter.paint(plain("lamp"), SIZE) == "\x1b[?25llamp"


def test_fifty_values_that_all_change_cost_little() -> None:
    table, painter = TerminalTable("utf-8"), Painter(colour=True)
    size = os.terminal_size((120, 60))
    costs = []
    for number in range(0, 600, 6):
        shown = frame(number, [good(w, number + i, 0x8010_2A40) for i, w in enumerate(BUOYS)])
        text = painter.paint(table.frame(shown, 0.0, size), size)
        costs.append(len(text.encode()))
    print(f"first {costs[0]} bytes, then {sum(costs[1:]) / len(costs[1:]):.0f} a drawing")
    # a value: up to 4 digits, and less than a dozen bytes to come to its place and back
    assert sum(costs[1:]) / len(costs[1:]) < 50 * 16


@pytest.mark.loopback
@pytest.mark.usefixtures("thread")
@pytest.mark.parametrize("moving", [True, False])
async def test_bytes_a_second_are_bounded(moving: bool) -> None:
    """At 60 frames a second with 50 watches, at the quickest rate that can be set."""
    with terminal(200, 60) as (screen, stream):
        async with running(output := made(stream, rate=30)):
            sent, begun = 0, 0.0
            for count in range(180):
                number = count * 7919 if moving else 1
                shown = frame(number, [good(w, number * (i + 1)) for i, w in enumerate(BUOYS)])
                output.publish(shown)
                await asyncio.sleep(1 / 60)
                screen.take()
                if count == 60:
                    sent, begun = len(screen.text.encode()), time.monotonic()
            rate = (len(screen.text.encode()) - sent) / (time.monotonic() - begun)
        screen.take()
    print(f"{rate:.0f} bytes a second")
    if moving:
        assert 2_000 < rate < 1.25 * BYTES_A_SECOND
    else:
        assert rate == 0


@pytest.mark.needs("tmux", "tmux")
async def test_a_real_terminal_shows_what_was_painted(tmux: Tmux, tmp_path: Path) -> None:
    """tmux as the judge: after each of many random changes the screen holds the lines."""
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    tmux.type(f"clear; stty -echo; cat {pipe}")
    choose = random.Random(5)
    painter, size = Painter(colour=True), os.terminal_size((60, 12))
    tmux.run("resize-window", "-x", "60", "-y", "12")
    with await asyncio.to_thread(pipe.open, "wb") as far:
        lines = [_line(choose) for _ in range(8)]
        said: list[str] = []
        for step in range(40):
            above = []
            if step % 9 == 4:
                above = [f"said in step {step}"]
                said += above
            if step % 11 == 7:
                lines = [_line(choose) for _ in range(choose.randint(1, 10))]
            for row in range(len(lines)):
                if choose.random() < 0.4:
                    lines[row] = _line(choose)
            far.write(painter.paint(lines, size, above).encode())
            far.flush()
            wanted = ["".join(text for text, _ in line).rstrip() for line in lines]
            found: list[str] = []
            for _ in range(500):  # a busy machine takes its time
                found = tmux.lines()
                shown = "\n".join(found).rstrip("\n").split("\n")
                trimmed = "\n".join(wanted).rstrip("\n").split("\n")
                if shown[-len(trimmed) :] == trimmed:
                    break
                await asyncio.sleep(0.02)
            else:
                raise AssertionError((step, wanted, found))
            if above:
                assert said[-1] in found
        far.write(painter.end().encode())


def _line(choose: random.Random) -> Line:
    """One that fills up to the terminal's last column, and no further."""
    if choose.random() < 0.1:
        return (("x" * 60, choose.choice(list(Style))),)
    pieces = []
    for _ in range(choose.randint(1, 4)):
        pieces.append((choose.choice(WORDS), choose.choice(list(Style))))
    return (("a", Style.PLAIN), *pieces)
