"""Sessions of the tutorials and of some other pages, run as they stand: each command, in order, and
each line of output.

``…`` in a line stands for any characters, and a line of it alone for any lines.
"""

from __future__ import annotations

import os
import re
import shutil
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.manual import DOCS, ROOT

TUTORIALS = [
    "runner",
    "streamer",
    "tester",
]
PAGES = [*(f"tutorials/{name}" for name in TUTORIALS), "how-to/record", "how-to/heap-events"]
SECONDS = 120.0
"""The most that a command may take on a busy machine."""


def blocks(text: str) -> list[tuple[str, str]]:
    """Each block of code, with its language."""
    return re.findall(r"^```(\S*)\n(.*?)^```$", text, re.M | re.S)


def commands(session: str) -> list[tuple[str, str]]:
    """Each command of a console, with the output that the page shows."""
    found = re.split(r"^\$ ((?:.*\\\n)*.*)\n", session, flags=re.M)
    assert found[0] == "", "output before the first command"
    return list(zip(found[1::2], found[2::2], strict=True))


def pattern(expected: str) -> re.Pattern[str]:
    """What output is to be like."""
    lines = (
        r"(?:.*\n)*" if line == "…" else ".*".join(map(re.escape, line.split("…"))) + r" *\n"
        for line in expected.splitlines()
    )
    return re.compile("".join(lines))


class Session:
    """A shell's session in a folder: one command after the other, and some behind it."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.code = 0
        self.behind: subprocess.Popen[bytes] | None = None
        self.environment = {
            **os.environ,
            "PATH": f"{Path(sys.executable).parent}{os.pathsep}{os.environ['PATH']}",
            "PYTHONUTF8": "1",
            "COLUMNS": "100",
        }

    def run(self, command: str, expected: str) -> None:
        if command == "kill %1":
            self.end()
        elif command.endswith(" &"):
            self._start(command.removesuffix(" &"), expected)
        else:
            # what $? is at the command's begin is the code of the one before
            words = ["bash", "-c", f"(exit {self.code}); {command}"]
            done = subprocess.run(
                words,
                cwd=self.folder,
                env=self.environment,
                capture_output=True,
                text=True,
                check=False,
                timeout=SECONDS,
            )
            self.code = done.returncode
            # a terminal shows a command's complaints behind what it printed before them
            said = done.stdout + done.stderr
            assert pattern(expected).fullmatch(said), (
                f"$ {command}\nexpected:\n{expected}\nfound:\n{said}"
            )

    def _start(self, command: str, expected: str) -> None:
        log = self.folder / "behind.log"
        with log.open("wb") as stream:
            self.behind = subprocess.Popen(
                ["bash", "-c", f"exec {command}"],
                cwd=self.folder,
                env=self.environment,
                stdout=stream,
                stderr=subprocess.STDOUT,
            )
        end = time.monotonic() + SECONDS
        while not pattern(expected).fullmatch(log.read_text("utf-8")):
            said = f"$ {command} &\nexpected:\n{expected}\nfound:\n{log.read_text('utf-8')}"
            assert self.behind.poll() is None, said
            assert time.monotonic() < end, said
            time.sleep(0.05)

    def end(self) -> None:
        if self.behind is not None:
            self.behind.send_signal(signal.SIGTERM)
            assert self.behind.wait(SECONDS) == 0
            self.behind = None


@pytest.fixture
def session(tmp_path: Path) -> Iterator[Session]:
    shutil.copytree(ROOT / "sample_dumps", tmp_path / "sample_dumps")
    shutil.copytree(ROOT / "schemas" / "games", tmp_path / "schemas" / "games")
    session = Session(tmp_path)
    try:
        yield session
    finally:
        if session.behind is not None:
            session.behind.kill()
            session.behind.wait()


def test_actions_do_to_a_heap_what_their_page_shows(session: Session) -> None:
    page = (DOCS / "how-to/describe-actions.md").read_text("utf-8")
    (shown,) = [text for language, text in blocks(page) if language == "console"]
    for command, expected in commands(shown):
        session.run(command, expected)


def test_recordings_tell_what_their_page_shows(session: Session) -> None:
    page = (DOCS / "how-to/learn-actions.md").read_text("utf-8")
    for language, text in blocks(page):
        if language == "toml" and text.startswith("# doors.bridge.toml"):
            (session.folder / "doors.bridge.toml").write_text(text, "utf-8")
        elif language == "console":
            for command, expected in commands(text):
                session.run(command, expected)


@pytest.mark.needs("curl", "curl")
@pytest.mark.parametrize("name", PAGES)
def test_a_session_is_as_the_page_shows_it(name: str, session: Session) -> None:
    page = (DOCS / f"{name}.md").read_text("utf-8")
    with socket.create_server(("127.0.0.1", 0)) as free:
        page = page.replace(":7365", f":{free.getsockname()[1]}")
    run = 0
    for language, text in blocks(page):
        if language == "console":
            for command, expected in commands(text):
                session.run(command, expected)
                run += 1
        elif language != "text" or name.startswith("tutorials"):
            assert language == "toml", f"a block that nothing tests: {text.splitlines()[0]}"
            written = re.fullmatch(r"# (\S+\.toml)", text.splitlines()[0])
            assert written, f"a file without a name: {text.splitlines()[0]}"
            (session.folder / written[1]).write_text(text, "utf-8")
    assert run >= 5
    assert session.behind is None, "the page does not end what it started"


def test_every_tutorial_is_run() -> None:
    pages = {file.stem for file in (DOCS / "tutorials").glob("*.md")} - {"index"}
    assert pages == {"runner", "streamer", "tester"}


@pytest.mark.posix("its commands are for a POSIX shell")
def test_another_output_fails(session: Session) -> None:
    session.run("echo one; echo two", "one\ntwo\n")
    session.run("echo one; echo two; false", "…\ntwo\n")
    session.run("echo $?", "1\n")
    for other in ("one\n", "one\nthree\n", "o…\n", "one\ntwo\nthree\n", "two\n…\n"):
        with pytest.raises(AssertionError, match="expected:"):
            session.run("echo one; echo two", other)
