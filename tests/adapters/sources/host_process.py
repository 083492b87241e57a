"""A program beside the test that keeps a guest's RAM, and says where; it ends with its input."""

from __future__ import annotations

import subprocess
from collections.abc import Sequence
from types import TracebackType
from typing import Self


class HostProcess:
    """A running host: lines of text in both directions."""

    def __init__(self, command: Sequence[str], *, user: int | None = None) -> None:
        """*user* is whom it runs as; None for ourselves."""
        self.process = subprocess.Popen(
            command,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            user=user,
            group=user,
            extra_groups=None if user is None else [],
        )

    @property
    def pid(self) -> int:
        return self.process.pid

    def line(self) -> str:
        """The next line that it says."""
        assert self.process.stdout is not None
        return self.process.stdout.readline().strip()

    def close(self) -> None:
        """End it and wait for it; harmless the second time."""
        self.process.kill()
        self.process.wait()
        for stream in (self.process.stdin, self.process.stdout):
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
