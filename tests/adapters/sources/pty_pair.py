"""Two serial ports with a cable between them, by socat."""

from __future__ import annotations

import subprocess
import time
from pathlib import Path
from types import TracebackType

import serial


class PtyPair:
    """``host`` is the port that is given to the source, ``console`` the open other end.

    ``unplug`` takes the cable away.
    """

    def __init__(self, folder: Path) -> None:
        self.host = folder / "host"
        self._other = folder / "console"
        self._process: subprocess.Popen[bytes] | None = None
        self.console: serial.Serial
        self.plug()

    def plug(self) -> None:
        self._process = subprocess.Popen(
            [
                "socat",
                f"pty,raw,echo=0,link={self.host}",
                f"pty,raw,echo=0,link={self._other}",
            ],
            stdin=subprocess.DEVNULL,
        )
        end = time.monotonic() + 10
        while not (self.host.exists() and self._other.exists()):
            assert time.monotonic() < end
            assert self._process.poll() is None
            time.sleep(0.01)
        self.console = serial.Serial(str(self._other), timeout=0, write_timeout=5)

    def unplug(self) -> None:
        self.console.close()
        if self._process is not None:
            self._process.terminate()
            self._process.wait(10)
            self._process = None

    def __enter__(self) -> PtyPair:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        fault: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.unplug()
