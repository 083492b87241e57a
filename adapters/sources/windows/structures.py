"""Structures of the Win32 headers that lowhalf reads, with their widths spelt out.

Their sizes and offsets are those of 64-bit and of 32-bit Windows alike, by the width of a pointer;
``ctypes.wintypes`` gives other ones where it does not run on Windows.
"""

from __future__ import annotations

import ctypes
from dataclasses import dataclass

__all__ = [
    "FileTime",
    "MemoryBasicInformation",
    "MemoryRegion",
    "ProcessEntry",
    "ProcessEntry32W",
    "process_entry",
    "region_of",
]

_MEM_COMMIT = 0x1000
_MEM_FREE = 0x10000
_MEM_MAPPED = 0x40000
_MEM_IMAGE = 0x1000000
_PAGE_GUARD = 0x100
_READABLE = (0x02, 0x04, 0x08, 0x20, 0x40, 0x80)
"""PAGE_READONLY, READWRITE, WRITECOPY, EXECUTE_READ, EXECUTE_READWRITE, EXECUTE_WRITECOPY."""
_WRITABLE = (0x04, 0x08, 0x40, 0x80)


class MemoryBasicInformation(ctypes.Structure):
    """MEMORY_BASIC_INFORMATION; PartitionId, which newer 64-bit headers have, lies in padding."""

    _fields_ = (
        ("BaseAddress", ctypes.c_size_t),
        ("AllocationBase", ctypes.c_size_t),
        ("AllocationProtect", ctypes.c_uint32),
        ("RegionSize", ctypes.c_size_t),
        ("State", ctypes.c_uint32),
        ("Protect", ctypes.c_uint32),
        ("Type", ctypes.c_uint32),
    )


class ProcessEntry32W(ctypes.Structure):
    """PROCESSENTRY32W; the name is in UTF-16."""

    _fields_ = (
        ("dwSize", ctypes.c_uint32),
        ("cntUsage", ctypes.c_uint32),
        ("th32ProcessID", ctypes.c_uint32),
        ("th32DefaultHeapID", ctypes.c_size_t),
        ("th32ModuleID", ctypes.c_uint32),
        ("cntThreads", ctypes.c_uint32),
        ("th32ParentProcessID", ctypes.c_uint32),
        ("pcPriClassBase", ctypes.c_int32),
        ("dwFlags", ctypes.c_uint32),
        ("szExeFile", ctypes.c_uint16 * 260),
    )


class FileTime(ctypes.Structure):
    """FILETIME: tenths of microseconds since 1601, in two halves."""

    _fields_ = (("dwLowDateTime", ctypes.c_uint32), ("dwHighDateTime", ctypes.c_uint32))

    @property
    def value_u64(self) -> int:
        """Both halves."""
        return int(self.dwHighDateTime) << 32 | int(self.dwLowDateTime)


@dataclass(frozen=True, slots=True)
class ProcessEntry:
    """A process as Windows lists it; its parent may have ended, and that number be another's."""

    pid: int
    parent: int
    name: str


@dataclass(frozen=True, slots=True)
class MemoryRegion:
    """Pages of a process from ``start`` up to ``end`` that are alike.

    ``allocation`` is where what they are a part of was once given; ``state``, ``protect`` and
    ``kind`` are the numbers of VirtualQueryEx.
    """

    start: int
    end: int
    allocation: int
    state: int
    protect: int
    kind: int

    @property
    def free(self) -> bool:
        """Whether nothing is there, not even reserved."""
        return self.state == _MEM_FREE

    @property
    def readable(self) -> bool:
        """Whether it may be read: a guard page would lose its guard by that."""
        return self._holds and self.protect & 0xFF in _READABLE

    @property
    def writable(self) -> bool:
        """Whether the process itself may write there."""
        return self._holds and self.protect & 0xFF in _WRITABLE

    @property
    def _holds(self) -> bool:
        return self.state == _MEM_COMMIT and not self.protect & _PAGE_GUARD

    @property
    def mapped(self) -> bool:
        """Whether it is a view of a file mapping."""
        return self.kind == _MEM_MAPPED

    @property
    def image(self) -> bool:
        """Whether it belongs to a program or a library."""
        return self.kind == _MEM_IMAGE


def region_of(information: MemoryBasicInformation) -> MemoryRegion:
    """What VirtualQueryEx has told."""
    start = int(information.BaseAddress)
    return MemoryRegion(
        start,
        start + int(information.RegionSize),
        int(information.AllocationBase),
        int(information.State),
        int(information.Protect),
        int(information.Type),
    )


def process_entry(entry: ProcessEntry32W) -> ProcessEntry:
    """What Process32NextW has told."""
    name = bytes(entry.szExeFile).decode("utf-16-le", "replace").partition("\0")[0]
    return ProcessEntry(int(entry.th32ProcessID), int(entry.th32ParentProcessID), name)
