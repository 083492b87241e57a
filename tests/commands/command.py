"""``lowhalf`` as a process of its own, as a user runs it."""

from __future__ import annotations

import os
import subprocess
import sys
import threading
import time
from collections.abc import Sequence
from types import TracebackType
from typing import TextIO

from tests.commands import warm_start
from tests.commands.warm_start import COLD_START, ROOT, WarmProcess

PIPE = -1
"""A stream that is gathered."""


def lowhalf(
    *arguments: str, stdout: int | None = PIPE, stderr: int | None = PIPE, timeout: float = 60
) -> subprocess.CompletedProcess[str]:
    """Run a command to its end; a stream is gathered, a descriptor, or None where it is closed."""
    with Running(*arguments, stdout=stdout, stderr=stderr) as command:
        code = command.process.wait(timeout)
        command.gather_the_rest()
    return subprocess.CompletedProcess(
        list(arguments), code, "".join(command.raw_printed), "".join(command.raw_logged)
    )


class Running:
    """A daemon that runs beside a test; what it prints is gathered as it comes."""

    def __init__(
        self,
        *arguments: str,
        environment: dict[str, str] | None = None,
        stdin: int | None = None,
        stdout: int | None = PIPE,
        stderr: int | None = PIPE,
    ) -> None:
        self.raw_printed: list[str] = []
        self.raw_logged: list[str] = []
        self._streams: list[TextIO] = []
        self._readers: list[threading.Thread] = []
        outward, ours = [stdout, stderr], []
        for place, lines in enumerate((self.raw_printed, self.raw_logged)):
            if outward[place] == PIPE:
                end, theirs = os.pipe()
                outward[place] = theirs
                ours.append(theirs)
                self._streams.append(os.fdopen(end, encoding="utf-8"))
                self._readers.append(
                    threading.Thread(target=_gather, args=(self._streams[-1], lines), daemon=True)
                )
        surroundings = {**_environment(), **(environment or {})}
        self.process = _start(arguments, surroundings, stdin, outward)
        for end in ours:
            os.close(end)
        for reader in self._readers:
            reader.start()

    @property
    def printed(self) -> list[str]:
        return [line.rstrip("\n") for line in self.raw_printed]

    @property
    def logged(self) -> list[str]:
        return [line.rstrip("\n") for line in self.raw_logged]

    def __enter__(self) -> Running:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        fault: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if self.process.poll() is None:
            self.process.kill()
        self.process.wait()
        self.gather_the_rest()
        for stream, reader in zip(self._streams, self._readers, strict=True):
            if not reader.is_alive():  # else a child of the command holds its end still
                stream.close()

    def gather_the_rest(self) -> None:
        """Once it has ended: what it printed last."""
        for reader in self._readers:
            reader.join(5)

    def wait_for(self, words: str, *, printed: bool = False, seconds: float = 20) -> str:
        """The first line that holds *words*."""
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            ended = self.process.poll() is not None
            if ended:
                self.gather_the_rest()
            for line in self.printed if printed else self.logged:
                if words in line:
                    return line
            if ended:
                break
            time.sleep(0.02)
        lines = self.printed if printed else self.logged
        raise AssertionError(f"no {words!r} in {lines[-20:]}, log {self.logged[-20:]}")

    def url(self) -> str:
        """Where the pages are."""
        return self.wait_for("pages at ").split("pages at ")[1].split()[0]

    def stop(self, number: int, seconds: float = 10) -> int:
        """Send a signal and give the exit code."""
        self.process.send_signal(number)
        return self.process.wait(seconds)


def _start(
    arguments: Sequence[str],
    environment: dict[str, str],
    stdin: int | None,
    outward: Sequence[int | None],
) -> WarmProcess | subprocess.Popen[bytes]:
    if warm_start.can_start(environment):
        with open(os.devnull) as nothing:
            inward = nothing.fileno() if stdin is None else stdin
            return warm_start.start(arguments, environment, [inward, *outward])
    stdout, stderr = outward
    return subprocess.Popen(
        [sys.executable, "-c", COLD_START, *arguments],
        stdin=subprocess.DEVNULL if stdin is None else stdin,
        stdout=stdout,
        stderr=stderr,
        env=environment,
    )


def _gather(stream: TextIO, lines: list[str]) -> None:
    lines.extend(stream)


def _environment() -> dict[str, str]:
    return {**os.environ, "PYTHONPATH": str(ROOT), "PYTHONIOENCODING": "utf-8"}
