"""Port of Windows' calls, in Python's terms: what ``calls`` does there, and a test elsewhere.

Handles are numbers.  Errors are those that Python makes of Windows' own: PermissionError where it
is denied, FileNotFoundError where a name is not there.
"""

from __future__ import annotations

import weakref
from typing import Protocol

from adapters.sources.windows.structures import MemoryRegion, ProcessEntry

__all__ = ["Handle", "Kernel32", "runs"]


class Kernel32(Protocol):
    """The calls of kernel32 that lowhalf makes; none of them changes another program."""

    def close(self, handle: int) -> None:
        """CloseHandle."""

    def processes(self) -> list[ProcessEntry]:
        """All processes (CreateToolhelp32Snapshot)."""

    def open_process(self, pid: int) -> int:
        """A handle that may ask about a process and read it, and no more (OpenProcess).

        Raises ProcessLookupError, PermissionError.
        """

    def this_process(self) -> int:
        """The handle of lowhalf's own process (GetCurrentProcess), which is not closed."""

    def exit_code(self, process: int) -> int | None:
        """What it ended with (GetExitCodeProcess).

        None while it runs, and where it ended with 259, which is STILL_ACTIVE.
        """

    def start(self, process: int) -> int:
        """When it began, in tenths of microseconds since 1601 (GetProcessTimes)."""

    def now(self) -> int:
        """The time in the same unit (GetSystemTimeAsFileTime)."""

    def image(self, process: int) -> str:
        """The path of its program (QueryFullProcessImageNameW)."""

    def is_32_bit(self, process: int) -> bool:
        """Whether it is a 32-bit program on a 64-bit Windows (IsWow64Process)."""

    def session(self, pid: int) -> int:
        """The session in which a user works (ProcessIdToSessionId)."""

    def query(self, process: int, address: int) -> MemoryRegion | None:
        """The pages from an address on that are alike; None behind the last (VirtualQueryEx)."""

    def mapped_file(self, process: int, address: int) -> str:
        """The file behind an address; "" where there is none (K32GetMappedFileNameW)."""

    def read(self, process: int, address: int, length: int) -> bytes | None:
        """Bytes; None where any of them cannot be read (ReadProcessMemory)."""

    def open_mapping(self, name: str) -> int:
        """A handle of a named file mapping, for reading only (OpenFileMappingW)."""

    def map_view(self, mapping: int, offset: int) -> int:
        """The address at which a mapping is seen, from an offset to its end (MapViewOfFile)."""

    def unmap_view(self, address: int) -> None:
        """UnmapViewOfFile."""


def runs(kernel32: Kernel32, process: int) -> bool:
    """Whether a process has not ended: then it has memory that can be asked about."""
    return kernel32.exit_code(process) is None and kernel32.query(process, 0) is not None


class Handle:
    """A handle, ``number``, that is closed with the last reference to this, if not before."""

    def __init__(self, kernel32: Kernel32, number: int) -> None:
        self.number = number
        self.close = weakref.finalize(self, kernel32.close, number)
