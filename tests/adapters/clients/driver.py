"""A made guest that sends its frames with the Python kit, as driver.lua and driver.c do.

Arguments: the kit's folder, a port, a file with RAM, a byte order, how many frames.
Each frame's number stands in its memory at LANTERN + 0x2E, and from frame 150 on the courier holds
the second lantern.
"""

from __future__ import annotations

import importlib
import sys
import time
from pathlib import Path

sys.path.insert(0, sys.argv[1])
lhp_client = importlib.import_module("lhp_client")

BASE, COURIER, LANTERN, SECOND = 0x8000_0000, 0x1000, 0x2000, 0x3000
port, order, frames = int(sys.argv[2]), int(sys.argv[4]), int(sys.argv[5])
ram = bytearray(Path(sys.argv[3]).read_bytes())
swap = 3 if order == lhp_client.ORDER_SWAP32 else 0


def poke(at: int, size: int, value: int) -> None:
    for index, byte in enumerate(value.to_bytes(size, "big")):
        ram[(at + index) ^ swap] = byte


def read(address: int, length: int) -> bytes:
    return bytes(ram[address - BASE :][:length])


try:
    client = lhp_client.connect(
        "127.0.0.1", port, base=BASE, size=len(ram), order=order, name="test pier"
    )
    sent = 0
    while sent < frames:
        number = 100 + sent
        poke(LANTERN + 0x2E, 2, number)
        poke(SECOND + 0x2E, 2, number)
        if number == 150:
            poke(COURIER + 0x13C, 4, BASE + SECOND)
        if client.frame(number, read):
            sent += 1
        time.sleep(0.01)
    client.close()
except OSError as fault:
    print(f"lost: {fault}")
    sys.exit(1)
