"""The output terminal: a live table on a terminal, plain lines elsewhere."""

from __future__ import annotations

import asyncio
import io
import os
import re
import shlex
import signal
import struct
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import TextIO

import pytest

from adapters.outputs.stream_thread import StreamThread
from adapters.outputs.terminal.output import TerminalOutput
from adapters.outputs.terminal.painter import Painter
from adapters.outputs.terminal.plain_lines import PlainLines
from adapters.outputs.terminal.table import TerminalTable
from adapters.printable import printable
from adapters.words.readings import state_words, status_words, target_words
from bridge.readings.frame import Frame
from bridge.readings.reading import Reading, Watch
from bridge.values.status import Status
from bridge.values.target import Target, between, equals, near
from bridge.values.value_type import BOOLEAN, FLOAT, INTEGER, TEXT, Kind, Value, ValueType
from schemas import output_settings
from schemas.errors import OutputError
from tests.adapters.made_frames import EAST, HALF, OIL, forty, frame, good, three
from tests.adapters.pipes import pipe
from tests.adapters.running import running
from tests.adapters.tmux_window import Tmux, shows, tmux
from tests.virtual_time import LoopbackLoop

__all__ = ["tmux"]  # a fixture

ROOT = Path(__file__).parents[2]
EVIL = "pier\x1b[31m\x07\r\n\x9b2J\u202ered[bold red]x[/]:anchor:\udc80"
EVIL_SHOWN = r"pier\x1b[31m\x07\x0d\x0a\x9b2J\u202ered[bold red]x[/]:anchor:\udc80"
ESCAPES = re.compile(r"\x1b(?:\[[0-9;?]*[A-Za-z])")
WIDE = os.terminal_size((120, 30))


@pytest.fixture(autouse=True)
def _environment(monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ("NO_COLOR", "COLORTERM", "COLUMNS", "LINES", "FORCE_COLOR", "TTY_COMPATIBLE"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setenv("TERM", "xterm-256color")


@pytest.fixture
def thread(monkeypatch: pytest.MonkeyPatch) -> None:
    """What the thread does is waited for, however busy the machine is."""
    do = StreamThread.do

    async def held(stream: StreamThread, job: Callable[[], None]) -> None:
        loop = asyncio.get_running_loop()
        assert isinstance(loop, LoopbackLoop)
        with loop.held():
            await do(stream, job)

    monkeypatch.setattr(StreamThread, "do", held)


def made(stream: TextIO, rate: float = 10.0) -> TerminalOutput:
    return TerminalOutput(output_settings.TerminalOutput(rate=rate), stream)


def drawn(frame: Frame, size: os.terminal_size = WIDE, encoding: str = "utf-8") -> list[str]:
    """The table's lines."""
    lines = TerminalTable(encoding).frame(frame, 0.0, size)
    return ["".join(text for text, _ in line) for line in lines]


def painted(frame: Frame, size: os.terminal_size = WIDE, *, colour: bool = True) -> str:
    """A first drawing, with its control codes."""
    return Painter(colour=colour).paint(TerminalTable("utf-8").frame(frame, 0.0, size), size)


# Words


@pytest.mark.parametrize(
    ("target", "value", "words"),
    [
        (near(120.0, 0.5, FLOAT), 117.25, "+2.75 to go"),
        (near(120.0, 0.5, FLOAT), 120.25, "hit"),
        (between(10, 20, INTEGER), 25, "-5 to go"),
        (equals("lantern", TEXT), "crate", "wants lantern"),
        (equals(True, BOOLEAN), False, "wants true"),
        (None, 3, ""),
    ],
)
def test_words_of_a_target(target: Target | None, value: Value, words: str) -> None:
    watch = Watch("w", "", "w", FLOAT, "", target)
    assert target_words(good(watch, value)) == words


def test_an_angle_in_degrees_has_its_way_in_degrees() -> None:
    angle = ValueType(Kind.INTEGER, 16, angle=True, name="angle16")
    watch = Watch("facing", "", "facing", angle, "degrees", equals(0x4000, angle))
    assert target_words(good(watch, 0x2000)) == "+45.00° to go"


def test_words_of_a_status() -> None:
    offline = Reading(OIL, Status.OFFLINE, 73, age=59.5)
    assert status_words(offline) == "offline 59 s"
    assert status_words(offline, 0.5) == "offline 1 min"
    assert status_words(offline, 7200) == "offline 2 h"
    assert status_words(Reading(OIL, Status.UNMAPPED)) == "unmapped"
    assert status_words(good(OIL, 1)) == ""
    assert status_words(Reading(OIL, Status.FREED, 1)) == "freed"
    assert state_words(Reading(EAST, Status.CHANGED, 117.25)) == "changed, +2.75 to go"
    assert state_words(Reading(OIL, Status.CHANGED, 117)) == "changed"
    assert state_words(good(EAST, 120.0)) == "hit"
    # a target of which nothing is known now adds no words
    assert state_words(Reading(EAST, Status.OFFLINE, 120.0, age=3)) == "offline 3 s"
    assert state_words(Reading(EAST, Status.NULL)) == "null"


def test_what_steers_a_terminal_is_escaped() -> None:
    assert printable(EVIL) == EVIL_SHOWN
    assert printable("Überfahrt 灯台") == "Überfahrt 灯台"
    assert printable(chr(0xE0001)) == r"\U000e0001"


# Plain lines


def test_a_plain_line_says_what_changed() -> None:
    lines = PlainLines()
    assert lines.changes(three(812)) == (
        "source fake pier, build first-print, guarded\n"
        "frame 812: oil=812; east=117.25 (+2.75 to go); held_x_low null: courier.held is null\n"
    )
    assert lines.changes(three(812)) == ""
    assert lines.changes(three(813)) == "frame 813: oil=813\n"


def test_offline_is_said_once() -> None:
    lines = PlainLines()
    last = three(812)
    lines.changes(last)
    assert lines.changes(last.offline("the pier is gone", last.ticks + 1)) == (
        "the pier is gone\n"
        "frame 812: oil=812 (offline); east=117.25 (offline); held_x_low offline\n"
    )
    assert lines.changes(last.offline("the pier is gone", last.ticks + 9)) == ""


@pytest.mark.loopback
@pytest.mark.usefixtures("thread")
async def test_without_a_terminal_there_are_no_control_codes() -> None:
    stream = io.StringIO()
    output = made(stream)
    assert not output.live
    name = Watch("name", EVIL, "name", TEXT)
    async with running(output):
        output.publish(frame(1, [good(name, EVIL)], note=EVIL))
        await asyncio.sleep(0.1)
        output.publish(three(2))
        output.publish(three(3))
        await asyncio.sleep(1.3)
    text = stream.getvalue()
    assert "\x1b" not in text
    assert all(line.isprintable() for line in text.splitlines())
    assert f"frame 1: name={EVIL_SHOWN}" in text
    assert "frame 2" not in text
    assert "frame 3: oil=3" in text
    assert output.skipped == 1


@pytest.mark.loopback
@pytest.mark.usefixtures("thread")
async def test_plain_lines_come_once_a_second() -> None:
    stream = io.StringIO()
    async with running(output := made(stream, rate=30)):
        for number in range(1, 91):
            output.publish(three(number))
            await asyncio.sleep(1 / 60)
    assert 2 <= len(re.findall("^frame ", stream.getvalue(), re.MULTILINE)) <= 3


async def test_a_reader_that_has_gone_is_an_error() -> None:
    with pipe() as (far, stream):
        far.close()
        output = made(stream)
        output.publish(three(1))
        with pytest.raises(OutputError) as failed:
            async with asyncio.timeout(2):
                await output.run()
    assert str(failed.value) == "terminal: the reader has closed its end"


# The table


def test_the_table_shows_the_frame() -> None:
    assert drawn(three(812)) == [
        "frame 812  first-print  fake pier  guarded",
        "812 frames  2 skipped  1 torn",
        "watch              value  target         address     reason",
        "Lamp oil             812                 0x80102A40",
        "East of the pier  117.25  ○ +2.75 to go  0x80102A6C",
        "Written half           -  × null                     courier.held is null",
    ]


def test_without_unicode_the_marks_are_ascii() -> None:
    hit = drawn(frame(1, [good(EAST, 120.0)]), encoding="cp437")[-1]
    assert hit.split() == ["East", "of", "the", "pier", "120.00", "*", "hit"]


@pytest.mark.parametrize("columns", [20, 40, 59, 60, 89, 90, 200])
def test_the_table_fits_any_width(columns: int) -> None:
    table = drawn(three(812), os.terminal_size((columns, 24)))
    assert len(table) == 6
    assert max(len(line) for line in table) <= columns
    assert any("address" in line for line in table) == (columns >= 90)
    assert any("reason" in line for line in table) == (columns >= 60)
    if columns >= 40:
        assert "117.25" in table[4]


def test_columns_do_not_move_when_a_value_loses_a_digit() -> None:
    table = TerminalTable("utf-8")
    widths = []
    for value in (123456, 7, 99):
        row = "".join(text for text, _ in table.frame(frame(1, [good(OIL, value)]), 0.0, WIDE)[-1])
        widths.append(row.index(str(value)) + len(str(value)))
    assert len(set(widths)) == 1


def test_guest_text_cannot_steer_the_table() -> None:
    name = Watch("name", EVIL, "name", TEXT)
    null = Reading(HALF, Status.NULL, reason=EVIL)
    bad = replace(frame(1, [good(name, EVIL), null], note=EVIL), source=EVIL, build=EVIL)
    text = painted(bad, os.terminal_size((300, 30)))
    assert "\x1b[31m" not in text
    assert not set(ESCAPES.sub("", text)) & {"\x07", "\x1b", "\x9b", "\u202e", "\udc80"}
    assert text.count(EVIL_SHOWN) == 6
    assert "⚓" not in text


# A real terminal


class Screen:
    """The far end of a pseudo-terminal: everything that was written to it."""

    def __init__(self, end: int) -> None:
        self.end = end
        self.text = ""

    def take(self) -> None:
        with_bytes = b""
        while True:
            try:
                with_bytes += os.read(self.end, 65536)
            except BlockingIOError:
                break
        self.text += with_bytes.decode()


@contextmanager
def terminal(columns: int, lines: int) -> Iterator[tuple[Screen, TextIO]]:
    pty = pytest.importorskip("pty", reason="this system has no pseudo-terminals")
    import fcntl
    import termios

    far, near_end = pty.openpty()
    os.set_blocking(far, False)
    fcntl.ioctl(near_end, termios.TIOCSWINSZ, struct.pack("HHHH", lines, columns, 0, 0))
    try:
        with open(near_end, "w", encoding="utf-8") as stream:
            yield Screen(far), stream
    finally:
        os.close(far)


@pytest.mark.loopback
@pytest.mark.usefixtures("thread")
async def test_a_terminal_gets_a_table_at_the_rate_asked_for() -> None:
    with terminal(120, 30) as (screen, stream):
        output = made(stream, rate=5)
        assert output.live
        async with running(output):
            output.announce([OIL, EAST])
            await asyncio.sleep(0.3)
            screen.take()
            assert "waiting for the first frame" in screen.text
            screen.text = ""
            for number in range(1, 61):
                output.publish(three(number))
                await asyncio.sleep(1 / 60)
                screen.take()
            drawings = screen.text.count("\x1b[5A")  # up to the frame's number
        screen.take()
        assert 3 <= drawings <= 7
        assert "117.25" in screen.text
        assert screen.text.endswith("\x1b[?25h")
        assert output.skipped >= 40


@pytest.mark.loopback
@pytest.mark.usefixtures("thread")
async def test_the_states_of_other_outputs_are_shown() -> None:
    class Signal(TerminalOutput):
        kind = "signal"
        state = "connected to the pier\x1b[31m"

    with terminal(120, 30) as (screen, stream):
        output = made(stream)
        output.beside = [output, Signal(output_settings.TerminalOutput(), io.StringIO())]
        async with running(output):
            output.publish(three(1))
            await asyncio.sleep(0.2)
        screen.take()
    assert r"1 frames  2 skipped  1 torn  signal connected to the pier\x1b[31m" in screen.text


async def test_a_new_size_is_drawn_at_once() -> None:
    """POSIX's SIGWINCH; without it the size would be seen at the next drawing, a second later."""
    with terminal(120, 30) as (screen, stream):
        import fcntl
        import termios

        async with running(output := made(stream, rate=20)):
            output.publish(three(1))
            await asyncio.sleep(0.2)
            screen.take()
            assert "address" in screen.text
            screen.text = ""
            fcntl.ioctl(screen.end, termios.TIOCSWINSZ, struct.pack("HHHH", 30, 70, 0, 0))
            os.kill(os.getpid(), signal.SIGWINCH)
            await asyncio.sleep(0.3)
            screen.take()
            assert "Written half" in screen.text
            assert "address" not in screen.text
        assert signal.getsignal(signal.SIGWINCH) in (signal.SIG_DFL, None)


async def test_a_stopped_terminal_blocks_nothing() -> None:
    """Nobody reads the far end, as after a stop key: the terminal's buffer fills."""
    with terminal(200, 50) as (screen, stream):
        output = made(stream, rate=30)
        worst = 0.0
        async with running(output):
            for number in range(1, 121):
                output.publish(forty(number))
                begun = time.perf_counter()
                await asyncio.sleep(1 / 60)
                worst = max(worst, time.perf_counter() - begun)
            begun = time.monotonic()
        assert time.monotonic() - begun < 1.0
        assert worst < 0.25
        assert output.skipped > 60
        for _ in range(20):  # lets the stuck thread end
            screen.take()
            await asyncio.sleep(0.02)


async def test_a_dumb_terminal_gets_plain_lines(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TERM", "dumb")
    with terminal(80, 24) as (screen, stream):
        output = made(stream)
        assert not output.live
        async with running(output):
            output.publish(three(1))
            await asyncio.sleep(0.1)
        screen.take()
    assert "frame 1: oil=1" in screen.text
    assert "\x1b" not in screen.text


_PROGRAM = """
import asyncio, sys
from adapters.outputs.stream_thread import StreamThread
from adapters.outputs.terminal.output import TerminalOutput
from schemas import output_settings
from tests.adapters.made_frames import three

async def main():
    output = TerminalOutput(output_settings.TerminalOutput(rate=20), sys.stdout)
    task = asyncio.create_task(output.run())
    for number in range(1, 400):
        output.publish(three(number))
        await asyncio.sleep(1 / 60)
        if await asyncio.to_thread(STOP.exists):
            break
    task.cancel()
    await asyncio.wait([task])

from pathlib import Path
STOP = Path(sys.argv[1])
asyncio.run(main())
print("good bye")
"""


@pytest.mark.needs("tmux", "tmux")
async def test_the_table_on_a_real_terminal(tmux: Tmux, tmp_path: Path) -> None:
    """One table, in place; resized; and the terminal is in order at the end."""
    program, stop = tmp_path / "program.py", tmp_path / "stop"
    program.write_text(_PROGRAM)
    line = shlex.join(["env", f"PYTHONPATH={ROOT}", sys.executable, str(program), str(stop)])
    tmux.run("send-keys", "-l", "clear; " + line)
    tmux.run("send-keys", "Enter")
    lines = await shows(tmux, ["117.25", "courier.held is null"])
    assert sum("East of the pier" in line for line in lines) == 1
    assert tmux.run("display", "-p", "#{cursor_flag}").strip() == "0"
    tmux.run("resize-window", "-x", "50", "-y", "20")
    await asyncio.sleep(0.4)
    lines = tmux.lines()
    assert sum("East of the pier" in line for line in lines) == 1
    assert max(len(line) for line in lines) <= 50
    assert not any("reason" in line for line in lines)
    tmux.run("resize-window", "-x", "120", "-y", "20")
    lines = await shows(tmux, ["0x80102A6C"])
    assert sum("East of the pier" in line for line in lines) == 1
    stop.touch()
    lines = await shows(tmux, ["good bye"])
    assert sum("East of the pier" in line for line in lines) == 1
    assert lines.index("good bye") > next(i for i, x in enumerate(lines) if "Written half" in x)
    assert tmux.run("display", "-p", "#{cursor_flag}").strip() == "1"
