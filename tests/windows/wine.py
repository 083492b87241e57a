"""Programs under Wine: lowhalf on the rig's CPython, and a host that keeps a guest's RAM."""

from __future__ import annotations

import contextlib
import json
import os
import signal
import subprocess
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from bridge.memory.byte_order import ByteOrder
from tests.adapters.sources.word_host import MASKS
from tests.windows import rig

SOURCES = Path(__file__).parent
WORKER = os.environ.get("PYTEST_XDIST_WORKER", "")
HOST = f"tidehost{WORKER}"
"""A host's name; those of other processes of pytest run in the same Wine."""
BEGAN, ENDED = 0x18_0000, 0x18_0010
"""Where first-print counts frames, from the start of its RAM."""
TIMEOUT = 120.0
"""Seconds: programs start slowly under Wine, and more so on a busy machine."""
ENDS_IN = 20.0
"""Seconds for a program to end by itself."""


def compile_program(source: Path, program: Path, *words: str) -> Path:
    """A program for Windows.  Needs mingw-w64."""
    strict = ("-O1", "-Wall", "-Wextra", "-Werror")
    subprocess.run([rig.COMPILER, *strict, "-o", str(program), str(source), *words], check=True)
    return program


class Program:
    """A program for Windows that runs under Wine; its lines are read as they come."""

    def __init__(self, folder: Path, words: Sequence[str], cwd: Path) -> None:
        """*folder* is the rig's.  The program is run in *cwd*."""
        # CPython there takes pipes only
        self.process = subprocess.Popen(
            ["wine", *words],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            cwd=cwd,
            env=rig.environment(folder),
        )
        self.lines: list[str] = []
        self.errors: list[str] = []
        self._threads = [
            threading.Thread(target=self._gather, args=(stream, lines), daemon=True)
            for stream, lines in (
                (self.process.stdout, self.lines),
                (self.process.stderr, self.errors),
            )
        ]
        for thread in self._threads:
            thread.start()

    @staticmethod
    def _gather(stream: Any, lines: list[str]) -> None:
        for line in stream:
            lines.append(line.decode("utf-8", "replace").rstrip("\r\n"))

    def until(self, true: Callable[[], Any], what: str) -> Any:
        """What *true* gives once it is; fails where that does not come or the program ends."""
        end = time.monotonic() + TIMEOUT
        while not (found := true()):
            if self.process.poll() is not None:
                self.join()
                found = true()
                assert found, f"ended without {what}: {self.errors} {self.lines[-3:]}"
                return found
            assert time.monotonic() < end, f"no {what}: {self.errors} {self.lines[-3:]}"
            time.sleep(0.02)
        return found

    def write(self, line: str) -> None:
        """A line to its standard input."""
        assert self.process.stdin is not None
        self.process.stdin.write(f"{line}\n".encode())
        self.process.stdin.flush()

    def join(self) -> int:
        """Wait for its end; its exit code."""
        code = self.process.wait(TIMEOUT)
        for thread in self._threads:
            thread.join(TIMEOUT)
        return code

    def interrupt(self) -> int:
        """End its input, which ends those that obey it (interruptible.py); its exit code."""
        assert self.process.stdin is not None
        self.process.stdin.close()
        return self.join()

    def close(self) -> None:
        """End it at once, as a crash does; harmless the second time."""
        assert self.process.stdin is not None
        self.process.kill()
        # what it has started may hold its pipes open for as long as its own input does not end
        self.process.stdin.close()
        self.join()
        for stream in (self.process.stdout, self.process.stderr):
            if stream is not None:
                stream.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        fault: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()


class Host(Program):
    """A running tide_host.c.  ``pid`` is its number there, ``live`` the address of its RAM."""

    def __init__(self, folder: Path, words: Sequence[str], cwd: Path) -> None:
        super().__init__(folder, words, cwd)
        self.until(lambda: "ready" in self.lines, "RAM")
        self.pid, self.live = map(int, self.lines[0].split())

    def say(self, letter: str) -> tuple[int, int]:
        """One of the letters of tide_host.c; gives the numbers that it answers."""
        said = len(self.lines)
        self.write(letter)
        self.until(lambda: len(self.lines) > said, f"answer to {letter}")
        first, second = map(int, self.lines[said].split())
        return first, second


class Lowhalf(Program):
    """A running lowhalf that writes JSON."""

    def close(self) -> None:
        """End it in order, or else at once; harmless the second time."""
        assert self.process.stdin is not None
        self.process.stdin.close()
        with contextlib.suppress(subprocess.TimeoutExpired):
            self.process.wait(ENDS_IN)
        super().close()

    @contextlib.contextmanager
    def held_still(self, host: Host) -> Iterator[None]:
        """Stop this in the middle of whatever it does, for as long as this lasts.

        A call of VirtualQueryEx never returns in Wine 8.0 where its process ends while it answers:
        Wine has that process itself look.
        """
        self.process.send_signal(signal.SIGSTOP)
        try:
            for _ in range(3):  # what it was asked is done when it has answered something else
                host.say("q")
            yield
        finally:
            self.process.send_signal(signal.SIGCONT)

    def sees_killed(self, host: Host) -> None:
        """Kill a host while this looks on."""
        with self.held_still(host):
            host.process.kill()
            host.join()

    def frames(self) -> list[dict[str, Any]]:
        return [json.loads(line) for line in self.lines if line.endswith("}")]

    def last(self) -> dict[str, Any]:
        """The newest line; {} before there is one."""
        frames = [line for line in self.lines[-2:] if line.endswith("}")]
        return json.loads(frames[-1]) if frames else {}

    def good(self) -> dict[str, Any] | None:
        """The newest line, where a game is read."""
        last = self.last()
        return last if last.get("build") and last["readings"][0]["status"] == "ok" else None

    def until_whole(self, first: int) -> tuple[int, str]:
        """The newest frame from *first* on of which every value is there, and its line."""

        def newest() -> str:
            for line in reversed([x for x in self.lines if x.endswith("}")]):
                frame = json.loads(line)
                if frame["frame"] < first:
                    return ""
                if all(reading["status"] == "ok" for reading in frame["readings"]):
                    return line
            return ""

        line = str(self.until(newest, f"whole frame from {first} on"))
        return json.loads(line)["frame"], line

    def until_frame(self, frame: int) -> str:
        """The line of the frame of that number."""

        def newest() -> str:
            return next((x for x in self.lines[-3:] if x.startswith(f'{{"frame":{frame},')), "")

        line = self.until(newest, f"frame {frame}")
        assert isinstance(line, str)
        return line


@dataclass
class Wine:
    """The rig, and programs that were made for it."""

    folder: Path
    work: Path
    programs: dict[str, Path] = field(default_factory=dict)

    @property
    def python(self) -> str:
        """The CPython there, as its own path names it."""
        return rig.windows_path(self.folder / "python" / "python.exe")

    def program(self, source: str, name: str = "") -> Path:
        """A program of this folder, compiled once under each name."""
        name = name or Path(source).stem
        if name not in self.programs:
            self.programs[name] = compile_program(SOURCES / source, self.work / f"{name}.exe")
        return self.programs[name]

    def run(self, *words: str) -> list[str]:
        """The lines that a program writes; it must end well."""
        with Program(self.folder, words, self.work) as program:
            assert program.join() == 0, program.errors
            return program.lines

    def host_words(
        self, image: Path, *mapping: str, order: ByteOrder = ByteOrder.SWAP32, name: str = ""
    ) -> list[str]:
        numbers = (str(MASKS[order]), hex(BEGAN), hex(ENDED))
        program = self.program("tide_host.c", name or HOST)
        return [*map(rig.windows_path, (program, image)), *numbers, *mapping]

    def host(self, *words: Any, **settings: Any) -> Host:
        """A host of an image, at a mapping's name and offset where these are given."""
        return Host(self.folder, self.host_words(*words, **settings), self.work)

    def lowhalf(self, cwd: Path, *words: str) -> Lowhalf:
        """``lowhalf`` there, in a folder."""
        return Lowhalf(self.folder, [self.python, "-m", "tests.windows.interruptible", *words], cwd)
