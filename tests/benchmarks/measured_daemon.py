"""``lowhalf`` in a process that tells what it holds.

The first argument is a file, the others are lowhalf's own.  At each SIGUSR1 the process appends a
line to the file: tasks of its event loop, objects that Python's collector follows, and blocks that
Python has allocated.
What the operating system knows (memory, descriptors, threads) is better asked from outside.
"""

from __future__ import annotations

import asyncio
import gc
import json
import signal
import sys
from pathlib import Path
from sys import getallocatedblocks
from types import FrameType

from adapters.commands.main import main


def tell_at_signal(path: Path) -> None:
    """Install the signal's handler; it runs on the main thread, between two steps of the loop."""

    def tell(number: int, frame: FrameType | None) -> None:
        try:
            tasks = len(asyncio.all_tasks())
        except RuntimeError:  # no loop runs: at the very beginning, or at the end
            tasks = 0
        gc.collect()
        told = {"tasks": tasks, "objects": len(gc.get_objects()), "blocks": getallocatedblocks()}
        with path.open("a") as file:
            file.write(json.dumps(told) + "\n")

    signal.signal(signal.SIGUSR1, tell)


if __name__ == "__main__":
    tell_at_signal(Path(sys.argv[1]))
    raise SystemExit(main(sys.argv[2:]))
