"""Linux's files on a process under ``/proc/PID``: its mappings, its pages, its start.

The formats are those of proc(5) in the Linux man-pages.  The parsers are pure; the readers below
them raise OSError as the system does.
"""

from __future__ import annotations

import mmap
import os
import select
import sys
from array import array
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

from adapters.sources.process.mapping import Mapping, ProcessStat

__all__ = [
    "PROC",
    "LifeLine",
    "first_argument",
    "parse_maps",
    "parse_stat",
    "present_runs",
    "processes",
    "read_maps",
    "read_present_runs",
    "read_stat",
    "seconds_since_boot",
]

PROC = Path("/proc")

_PRESENT_OR_SWAPPED = 3 << 62
"""Bits 63 and 62 of a pagemap entry."""
_PAGEMAP_CHUNK = 1 << 16
"""Entries of the page map that are read at a time."""


class LifeLine:
    """Tells at once whether a process has ended, without looking it up by number (pidfd_open(2)).

    Raises ProcessLookupError where there is none of that number.
    """

    def __init__(self, pid: int) -> None:
        self._file = -1
        self._ended: Callable[[], bool] | None = None
        if sys.platform != "linux" or not hasattr(os, "pidfd_open"):
            return
        try:
            self._file = os.pidfd_open(pid)
        except ProcessLookupError:
            raise
        except OSError:
            return  # an older or a restricted system
        poll = select.poll()
        poll.register(self._file, select.POLLIN)
        self._ended = lambda: bool(poll.poll(0))

    @property
    def holds(self) -> bool:
        """True while the process runs; false where it has ended or the system cannot tell."""
        return self._ended is not None and not self._ended()

    def close(self) -> None:
        """Let go of it; harmless the second time."""
        self._ended = None
        if self._file >= 0:
            os.close(self._file)
            self._file = -1


def parse_maps(text: bytes) -> list[Mapping]:
    """The lines of a ``maps`` file, in their order.  Raises ValueError for a malformed one."""
    return [_parse_mapping(line) for line in text.splitlines() if line]


def _parse_mapping(line: bytes) -> Mapping:
    # the path may hold spaces: it is all that follows the inode
    parts = line.split(None, 5)
    try:
        start, end = (int(part, 16) for part in parts[0].split(b"-"))
        rights, offset, device, inode = parts[1], int(parts[2], 16), parts[3], int(parts[4])
        readable, writable, shared = rights[0] == 0x72, rights[1] == 0x77, rights[3] == 0x73
    except (IndexError, ValueError) as fault:
        raise ValueError(f"not a line of a maps file: {line[:80]!r}") from fault
    path = parts[5].decode("utf-8", "backslashreplace") if len(parts) > 5 else ""
    backing = f"{device.decode('ascii', 'replace')} {inode}" if inode else ""
    return Mapping(start, end, readable, writable, shared, offset, backing, path)


def parse_stat(text: bytes) -> ProcessStat:
    """A ``stat`` file.  Raises ValueError where it is malformed."""
    # the name is in brackets and may itself hold brackets and spaces
    head, closing, tail = text.rpartition(b")")
    _, opening, name = head.partition(b"(")
    fields = tail.split()
    try:
        state, parent, start = fields[0], int(fields[1]), int(fields[19])
    except (IndexError, ValueError) as fault:
        raise ValueError(f"not a stat file: {text[:80]!r}") from fault
    if not closing or not opening:
        raise ValueError(f"not a stat file: {text[:80]!r}")
    return ProcessStat(
        name.decode("utf-8", "backslashreplace"), state.decode("ascii", "replace"), parent, start
    )


def present_runs(entries: Sequence[int], start: int, page: int) -> Iterator[tuple[int, int]]:
    """(address, length) of each run of pages that hold something, from pagemap *entries*.

    *start* is the address of the first entry's page, *page* the size of a page in bytes.
    """
    first = -1
    for index, entry in enumerate(entries):
        if entry & _PRESENT_OR_SWAPPED:
            if first < 0:
                first = index
        elif first >= 0:
            yield start + first * page, (index - first) * page
            first = -1
    if first >= 0:
        yield start + first * page, (len(entries) - first) * page


def read_maps(pid: int) -> list[Mapping]:
    """The mappings of a process.  Raises OSError, and ValueError for a malformed line."""
    return parse_maps((PROC / str(pid) / "maps").read_bytes())


def read_stat(pid: int) -> ProcessStat | None:
    """What a process is; None where there is none of that number."""
    try:
        return parse_stat((PROC / str(pid) / "stat").read_bytes())
    except (FileNotFoundError, ProcessLookupError):
        return None


def read_present_runs(pid: int, start: int, end: int) -> Iterator[tuple[int, int]]:
    """(address, length) of the pages between two addresses that hold something.

    What was never touched is left out: to read it would make the process map it.  Runs that touch
    may come in two parts.  Raises OSError.
    """
    page = mmap.PAGESIZE
    with (PROC / str(pid) / "pagemap").open("rb", buffering=0) as file:
        for first in range(start // page, end // page, _PAGEMAP_CHUNK):
            count = min(_PAGEMAP_CHUNK, end // page - first)
            file.seek(first * 8)
            data = file.read(count * 8)
            if data.count(0) == len(data):
                continue
            entries = array("Q", data[: len(data) & ~7])
            yield from present_runs(entries, first * page, page)


def processes() -> Iterator[int]:
    """The numbers of all processes.  Raises OSError where there is no ``/proc``."""
    for entry in PROC.iterdir():
        if entry.name.isdecimal():
            yield int(entry.name)


def first_argument(pid: int) -> str:
    """The program as it was started (argv[0]); "" where that cannot be told."""
    try:
        line = (PROC / str(pid) / "cmdline").read_bytes()
    except OSError:
        return ""
    return line.split(b"\0", 1)[0].decode("utf-8", "backslashreplace")


def seconds_since_boot() -> float:
    """Seconds since the system began.  Raises OSError."""
    return float((PROC / "uptime").read_bytes().split()[0])
