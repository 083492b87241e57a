"""A host program that keeps a guest's RAM in its own memory, word-swapped: word_host.c."""

from __future__ import annotations

import subprocess
from pathlib import Path
from types import TracebackType
from typing import Self

from bridge.byte_order import ByteOrder

SOURCE = Path(__file__).with_name("word_host.c")
MASKS = {ByteOrder.BIG: 0, ByteOrder.SWAP16: 1, ByteOrder.SWAP32: 3, ByteOrder.HALFSWAP: 2}


def compile_host(directory: Path, name: str = "tidehost") -> Path:
    """The program under *name*.  Needs gcc."""
    program = directory / name
    subprocess.run(
        ["gcc", "-O1", "-Wall", "-Wextra", "-Werror", "-o", str(program), str(SOURCE)], check=True
    )
    return program


class WordHost:
    """A running host.  ``live`` is the address of its RAM, ``stale`` those of old copies."""

    def __init__(
        self,
        program: Path,
        image: Path,
        *,
        order: ByteOrder = ByteOrder.SWAP32,
        copies: int = 0,
        began: int,
        ended: int,
        user: int | None = None,
    ) -> None:
        numbers = (MASKS[order], copies, began, ended)
        self.process = subprocess.Popen(
            [str(program), str(image), *map(str, numbers)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            user=user,
            group=user,
            extra_groups=None if user is None else [],
        )
        self.live = int(self._line(), 16)
        self.stale = [int(self._line(), 16) for _ in range(copies)]
        assert self._line() == "ready"

    @property
    def pid(self) -> int:
        return self.process.pid

    def _line(self) -> str:
        assert self.process.stdout is not None
        return self.process.stdout.readline().strip()

    def say(self, letter: str) -> int:
        """One of the letters of word_host.c; gives the number that it answers."""
        assert self.process.stdin is not None
        self.process.stdin.write(f"{letter}\n")
        self.process.stdin.flush()
        answer = int(self._line(), 0)
        if letter in "mnx":
            self.live = answer
        return answer

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
