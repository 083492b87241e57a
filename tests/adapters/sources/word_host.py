"""A host program that keeps a guest's RAM in its own memory, word-swapped: word_host.c."""

from __future__ import annotations

import subprocess
from pathlib import Path

from bridge.memory.byte_order import ByteOrder
from tests.adapters.sources.host_process import HostProcess

SOURCE = Path(__file__).with_name("word_host.c")
MASKS = {ByteOrder.BIG: 0, ByteOrder.SWAP16: 1, ByteOrder.SWAP32: 3, ByteOrder.HALFSWAP: 2}


def compile_host(directory: Path, name: str = "tidehost") -> Path:
    """The program under *name*.  Needs gcc."""
    program = directory / name
    subprocess.run(
        ["gcc", "-O1", "-Wall", "-Wextra", "-Werror", "-o", str(program), str(SOURCE)], check=True
    )
    return program


class WordHost(HostProcess):
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
        super().__init__([str(program), str(image), *map(str, numbers)], user=user)
        self.live = int(self.line(), 16)
        self.stale = [int(self.line(), 16) for _ in range(copies)]
        assert self.line() == "ready"

    def say(self, letter: str) -> int:
        """One of the letters of word_host.c; gives the number that it answers."""
        assert self.process.stdin is not None
        self.process.stdin.write(f"{letter}\n")
        self.process.stdin.flush()
        answer = int(self.line(), 0)
        if letter in "mnx":
            self.live = answer
        return answer
