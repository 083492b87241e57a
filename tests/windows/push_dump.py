"""What push_dump.c is, with the Python kit, whose folder is the first argument."""

from __future__ import annotations

import contextlib
import importlib
import sys
import time
from pathlib import Path
from typing import Any

sys.path.insert(0, sys.argv[1])
lhp_client = importlib.import_module("lhp_client")

START = 0x8000_0000
port, order, first, last, began, ended = (int(word, 0) for word in (sys.argv[2], *sys.argv[4:]))
ram = bytearray(Path(sys.argv[3]).read_bytes())
swap = 3 if order == lhp_client.ORDER_SWAP32 else 0


def count(at: int, frame: int) -> None:
    for index, byte in enumerate(frame.to_bytes(4, "big")):
        ram[(at + index) ^ swap] = byte


def read(address: int, length: int) -> bytes:
    return bytes(ram[address - START :][:length])


def greeted() -> Any:
    """A client that is welcome; lowhalf may just be closing its port, so that it can listen anew.

    Raises OSError where it never is.
    """
    for _ in range(200):
        with contextlib.suppress(OSError):
            made = lhp_client.connect(
                "127.0.0.1", port, base=START, size=len(ram), order=order, name="my pier"
            )
            while not made.welcome:
                made.poll()
                time.sleep(0.01)
            return made
        time.sleep(0.1)
    raise TimeoutError("nobody welcomes it")


try:
    client = greeted()
    frame = first
    while frame <= last:
        count(began, frame)
        count(ended, frame)
        if client.frame(frame, read):
            frame += 1
        time.sleep(0.01)
    print(f"sent {last}", flush=True)
    sys.stdin.readline()
    client.close()
except OSError as fault:
    print(f"lost {getattr(fault, 'code', 0)}")
    sys.exit(1)
