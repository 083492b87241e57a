"""What a running process holds: memory, descriptors, threads, and its tasks and objects."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import psutil

MIB = 1 << 20


@dataclass(frozen=True, slots=True)
class Held:
    """``at`` says when; ``resident`` is in MiB, ``traced`` (what Python allocated) in KiB.

    ``objects`` are those that Python's collector follows, ``blocks`` are all that Python has taken
    from its own allocator, also for texts and numbers.  What was not measured is 0.
    """

    at: str
    resident: float
    descriptors: int
    threads: int
    tasks: int
    objects: int
    blocks: int
    traced: float = 0.0


def of_process(process: psutil.Process) -> tuple[float, int, int]:
    """Resident MiB, open descriptors and threads, as the operating system counts them."""
    resident = process.memory_info().rss / MIB
    return resident, process.num_fds(), process.num_threads()


def table(rows: Sequence[Held]) -> str:
    """The rows for people."""
    lines = ["at          resident MiB  descriptors  threads  tasks  objects  blocks  traced KiB"]
    lines += [
        f"{row.at:10}  {row.resident:12.1f}  {row.descriptors:11}  {row.threads:7}  "
        f"{row.tasks:5}  {row.objects:7}  {row.blocks:6}  {row.traced:10.0f}"
        for row in rows
    ]
    return "\n".join(lines)
