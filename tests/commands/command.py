"""``lowhalf`` as a process of its own, as a user runs it."""

from __future__ import annotations

import os
import subprocess
import sys
import threading
import time
from collections.abc import Iterable
from pathlib import Path
from types import TracebackType

_START = "from adapters.commands.main import main; raise SystemExit(main())"


def lowhalf(*arguments: str, timeout: float = 60) -> subprocess.CompletedProcess[str]:
    """Run a command to its end."""
    return subprocess.run(
        [sys.executable, "-c", _START, *arguments],
        capture_output=True,
        text=True,
        encoding="utf-8",
        timeout=timeout,
        env=_environment(),
        stdin=subprocess.DEVNULL,
    )


class Running:
    """A daemon that runs beside a test; what it prints is gathered as it comes."""

    def __init__(self, *arguments: str, environment: dict[str, str] | None = None) -> None:
        self.process = subprocess.Popen(
            [sys.executable, "-c", _START, *arguments],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            stdin=subprocess.DEVNULL,
            text=True,
            encoding="utf-8",
            env={**_environment(), **(environment or {})},
        )
        self.printed: list[str] = []
        self.logged: list[str] = []
        streams = (
            (self.process.stdout or (), self.printed),
            (self.process.stderr or (), self.logged),
        )
        self._readers = [
            threading.Thread(target=self._gather, args=pair, daemon=True) for pair in streams
        ]
        for reader in self._readers:
            reader.start()

    @staticmethod
    def _gather(stream: Iterable[str], lines: list[str]) -> None:
        lines.extend(line.rstrip("\n") for line in stream)

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
        for reader in self._readers:
            reader.join(5)
        for stream in (self.process.stdout, self.process.stderr):
            if stream is not None:
                stream.close()

    def wait_for(self, words: str, *, printed: bool = False, seconds: float = 20) -> str:
        """The first line that holds *words*."""
        lines = self.printed if printed else self.logged
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            for line in list(lines):
                if words in line:
                    return line
            if self.process.poll() is not None:
                break
            time.sleep(0.02)
        raise AssertionError(f"no {words!r} in {lines[-20:]}, log {self.logged[-20:]}")

    def url(self) -> str:
        """Where the pages are."""
        return self.wait_for("pages at ").split("pages at ")[1].split()[0]

    def stop(self, number: int, seconds: float = 10) -> int:
        """Send a signal and give the exit code."""
        self.process.send_signal(number)
        return self.process.wait(seconds)


def _environment() -> dict[str, str]:
    root = str(Path(__file__).parent.parent.parent)
    return {**os.environ, "PYTHONPATH": root, "PYTHONIOENCODING": "utf-8"}
