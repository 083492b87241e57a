"""Narrow counters and a daemon that is stopped, with processes as a user has them.

A program writes a game's memory into a file, 60 frames a second by its own clock; `lowhalf run`
reads it there.
"""

from __future__ import annotations

import contextlib
import json
import re
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.commands.command import Running

GUEST = """
import mmap, sys, threading, time

BITS = int(sys.argv[2])
with open(sys.argv[1], "r+b") as file:
    ram = mmap.mmap(file.fileno(), 0)
count, room = int(sys.argv[3]), 0
orders = []
threading.Thread(target=lambda: orders.extend(iter(sys.stdin.readline, "")), daemon=True).start()
due = time.monotonic()
while "end\\n" not in orders:
    while orders:
        name, value = orders.pop(0).split()
        if name == "room":
            room = int(value)
        elif name == "put":
            count = int(value) - 1
        elif name == "wait":
            due += float(value)
            time.sleep(float(value))
    count += 1
    word = (count % (1 << BITS)).to_bytes(4, "big")
    ram[0x10:0x14] = word
    ram[0x20] = room
    ram[0x18:0x1C] = word
    due += 1 / 60
    time.sleep(max(0.0, due - time.monotonic()))
"""
SCHEMA = """
[game]
name = "Tidewright"
[memory]
endian = "big"
regions = [ { name = "ram", start = 0x8000_0000, size = 0x1000 } ]
[symbols]
began = "u32"
ended = "u32"
room = "u8"
[builds.print]
recognise = [ { at = 0x8000_0400, text = "TIDE 1.0" } ]
at = { began = 0x8000_0010, ended = 0x8000_0018, room = 0x8000_0020 }
"""
BRIDGE = """
schema = "g.schema.toml"
[source]
kind = "shared"
path = "ram"
[sampling]
frame = "began & MASK"
guard = { began = "began & MASK", ended = "ended & MASK" }
[[watches]]
name = "where"
expr = "room"
[attempts]
begins = "room == 1"
succeeds = "room == 2"
"""


class Rig:
    """The two processes; what the daemon prints is looked through once, in order."""

    def __init__(self, guest: subprocess.Popen[str], daemon: Running) -> None:
        self.guest = guest
        self.daemon = daemon
        self._at = 0

    def order(self, words: str) -> None:
        assert self.guest.stdin is not None
        self.guest.stdin.write(words + "\n")
        self.guest.stdin.flush()

    def until(self, condition: Callable[[dict[str, Any]], Any], seconds: float = 60) -> Any:
        """The next frame that is as wanted."""
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            if self._at < len(self.daemon.printed):
                frame = json.loads(self.daemon.printed[self._at])
                self._at += 1
                if condition(frame):
                    return frame
                continue
            assert self.daemon.process.poll() is None, self.daemon.logged
            time.sleep(0.01)
        raise AssertionError(f"no such frame among {self._at}: {self.daemon.logged}")

    def stats(self) -> str:
        """The counts that it prints when it is told to end."""
        assert self.daemon.stop(signal.SIGTERM) == 0
        return self.daemon.wait_for(", batches ")

    def attempt_open(self) -> Any:
        self.order("room 0")
        self.until(lambda frame: frame["practice"]["attempt"] is None)
        self.order("room 1")
        return self.until(lambda frame: frame["practice"]["attempt"])


@contextlib.contextmanager
def rig(directory: Path, bits: int, first: int) -> Iterator[Rig]:
    image = bytearray(0x1000)
    image[0x400:0x408] = b"TIDE 1.0"
    (directory / "ram").write_bytes(image)
    (directory / "g.schema.toml").write_text(SCHEMA, "utf-8")
    bridge = directory / "g.bridge.toml"
    bridge.write_text(BRIDGE.replace("MASK", hex((1 << bits) - 1)), "utf-8")
    guest = subprocess.Popen(
        [sys.executable, "-c", GUEST, str(directory / "ram"), str(bits), str(first)],
        stdin=subprocess.PIPE,
        text=True,
    )
    try:
        # the counter has its first value before anybody looks
        until = time.monotonic() + 60
        while not any((directory / "ram").read_bytes()[:0x20]):
            assert time.monotonic() < until
            time.sleep(0.01)
        with Running("run", str(bridge), "--json", "--stats") as daemon:
            found = Rig(guest, daemon)
            # its pace has been seen
            first_frame = found.until(lambda frame: frame["build"])["frame"]
            found.until(lambda frame: frame["frame"] > first_frame + 90)
            yield found
    finally:
        guest.kill()
        guest.wait()
        if guest.stdin is not None:
            guest.stdin.close()


@pytest.mark.posix("a signal ends the daemon")
def test_a_counter_of_16_bits_that_is_set_back_cuts_the_attempt_off(tmp_path: Path) -> None:
    with rig(tmp_path, 16, 39_700) as found:
        opened = found.attempt_open()
        found.order("put 0")
        frame = found.until(lambda frame: frame["practice"]["attempt"] is None)
        last = frame["practice"]["last"]
        assert (last["outcome"], last["reason"]) == ("cut-off", "the game was reset")
        assert frame["frame"] < 600 < opened["frame"]
        words = found.stats()
        assert ", resets 1," in words
        # a busy machine misses some, but never a part of the counter's turn
        assert int(words.split("skipped ")[1].split(",")[0]) < 5000


@pytest.mark.posix("a signal ends the daemon")
def test_a_counter_of_8_bits_runs_over_without_a_reset(tmp_path: Path) -> None:
    with rig(tmp_path, 8, 100) as found:
        opened = found.attempt_open()
        later = found.until(lambda frame: frame["frame"] > opened["frame"] + 300)
        assert later["practice"]["attempt"] == opened["practice"]["attempt"]
        found.order("room 2")
        ended = found.until(lambda frame: frame["practice"]["attempt"] is None)["practice"]["last"]
        assert ended["outcome"] == "success"
        assert ended["frames"] >= 300
        assert ", resets 0," in found.stats()


@pytest.mark.skipif(not hasattr(signal, "SIGSTOP"), reason="no process is stopped here")
def test_a_daemon_that_was_stopped_marks_the_attempt(tmp_path: Path) -> None:
    """The game stands still with it, so that not one of its frames is missing."""
    with rig(tmp_path, 32, 100) as found:
        found.attempt_open()
        found.guest.send_signal(signal.SIGSTOP)
        time.sleep(0.3)
        found.daemon.process.send_signal(signal.SIGSTOP)
        time.sleep(6.5)
        found.daemon.process.send_signal(signal.SIGCONT)
        found.guest.send_signal(signal.SIGCONT)
        found.until(lambda frame: frame["practice"]["attempt_whole"] is False)
        found.order("room 2")
        last = found.until(lambda frame: frame["practice"]["attempt"] is None)["practice"]["last"]
        assert (last["outcome"], last["whole"]) == ("success", False)
        stood = re.fullmatch(r"(?:.*; )?lowhalf did not run for (\d+) s(?:; .*)?", last["reason"])
        assert stood is not None, last
        assert int(stood[1]) >= 6
