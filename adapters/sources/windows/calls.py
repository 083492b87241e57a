"""Windows' calls themselves, by ctypes.  As documented in the Win32 API reference.

Of a process lowhalf asks for the right to query it and to read its memory, and for no other.
"""

from __future__ import annotations

import ctypes
import errno
import os
import sys
from ctypes import c_int32, c_size_t, c_uint32, c_void_p, c_wchar_p
from typing import Any

from adapters.sources.windows.structures import (
    FileTime,
    MemoryBasicInformation,
    MemoryRegion,
    ProcessEntry,
    ProcessEntry32W,
    process_entry,
    region_of,
)
from adapters.windows_library import windows_library

__all__ = ["FILE_MAP_READ", "PROCESS_RIGHTS", "Calls"]

PROCESS_RIGHTS = 0x0010 | 0x0400
"""PROCESS_VM_READ and PROCESS_QUERY_INFORMATION."""
FILE_MAP_READ = 0x0004

_TH32CS_SNAPPROCESS = 0x0002
_STILL_ACTIVE = 259
_INVALID_HANDLE = c_void_p(-1).value
_INVALID_PARAMETER = 87
_MAX_PATH_UNITS = 32768
_MOST_IN_CONSOLE = 64

# name: (result, arguments); handles and addresses are as wide as a pointer
_SIGNATURES: dict[str, tuple[Any, tuple[Any, ...]]] = {
    "CloseHandle": (c_int32, (c_void_p,)),
    "CreateToolhelp32Snapshot": (c_void_p, (c_uint32, c_uint32)),
    "GetConsoleProcessList": (c_uint32, (c_void_p, c_uint32)),
    "GetCurrentProcess": (c_void_p, ()),
    "GetExitCodeProcess": (c_int32, (c_void_p, c_void_p)),
    "GetProcessTimes": (c_int32, (c_void_p, c_void_p, c_void_p, c_void_p, c_void_p)),
    "GetSystemTimeAsFileTime": (None, (c_void_p,)),
    "IsWow64Process": (c_int32, (c_void_p, c_void_p)),
    "K32GetMappedFileNameW": (c_uint32, (c_void_p, c_void_p, c_void_p, c_uint32)),
    "MapViewOfFile": (c_void_p, (c_void_p, c_uint32, c_uint32, c_uint32, c_size_t)),
    "OpenFileMappingW": (c_void_p, (c_uint32, c_int32, c_wchar_p)),
    "OpenProcess": (c_void_p, (c_uint32, c_int32, c_uint32)),
    "Process32FirstW": (c_int32, (c_void_p, c_void_p)),
    "Process32NextW": (c_int32, (c_void_p, c_void_p)),
    "ProcessIdToSessionId": (c_int32, (c_uint32, c_void_p)),
    "QueryFullProcessImageNameW": (c_int32, (c_void_p, c_uint32, c_void_p, c_void_p)),
    "ReadProcessMemory": (c_int32, (c_void_p, c_void_p, c_void_p, c_size_t, c_void_p)),
    "UnmapViewOfFile": (c_int32, (c_void_p,)),
    "VirtualQueryEx": (c_size_t, (c_void_p, c_void_p, c_void_p, c_size_t)),
}


def _last_number() -> int:
    if sys.platform == "win32":
        return ctypes.get_last_error()
    return 0


def _fault(number: int) -> OSError:
    """Python's error for one of Windows', with its words."""
    if sys.platform == "win32":
        return ctypes.WinError(number)
    return OSError(errno.ENOSYS, os.strerror(errno.ENOSYS))


class Calls:
    """Kernel32 of the Windows that lowhalf runs on."""

    def __init__(self) -> None:
        library = windows_library("kernel32")
        for name, (result, arguments) in _SIGNATURES.items():
            function = getattr(library, name)
            function.restype, function.argtypes = result, arguments
        self._dll = library

    def close(self, handle: int) -> None:
        self._dll.CloseHandle(handle)

    # processes

    def processes(self) -> list[ProcessEntry]:
        snapshot = self._dll.CreateToolhelp32Snapshot(_TH32CS_SNAPPROCESS, 0)
        if snapshot == _INVALID_HANDLE:
            raise _fault(_last_number())
        found: list[ProcessEntry] = []
        try:
            entry = ProcessEntry32W(dwSize=ctypes.sizeof(ProcessEntry32W))
            more = self._dll.Process32FirstW(snapshot, ctypes.byref(entry))
            while more:
                found.append(process_entry(entry))
                more = self._dll.Process32NextW(snapshot, ctypes.byref(entry))
        finally:
            self.close(snapshot)
        return found

    def console_processes(self) -> list[int]:
        """The processes of this one's console (GetConsoleProcessList); none without a console."""
        numbers = (c_uint32 * _MOST_IN_CONSOLE)()
        found = self._dll.GetConsoleProcessList(ctypes.byref(numbers), _MOST_IN_CONSOLE)
        return list(numbers[:found]) if found <= _MOST_IN_CONSOLE else []

    def open_process(self, pid: int) -> int:
        handle = self._dll.OpenProcess(PROCESS_RIGHTS, False, pid)
        if not handle:
            number = _last_number()
            if number == _INVALID_PARAMETER:  # what Windows says of a number that nobody has
                raise ProcessLookupError(errno.ESRCH, os.strerror(errno.ESRCH))
            raise _fault(number)
        return int(handle)

    def this_process(self) -> int:
        return int(self._dll.GetCurrentProcess())

    def exit_code(self, process: int) -> int | None:
        code = c_uint32()
        self._check(self._dll.GetExitCodeProcess(process, ctypes.byref(code)))
        return None if code.value == _STILL_ACTIVE else int(code.value)

    def start(self, process: int) -> int:
        began, *others = (FileTime() for _ in range(4))
        times = (ctypes.byref(time) for time in (began, *others))
        self._check(self._dll.GetProcessTimes(process, *times))
        return began.value_u64

    def now(self) -> int:
        time = FileTime()
        self._dll.GetSystemTimeAsFileTime(ctypes.byref(time))
        return time.value_u64

    def image(self, process: int) -> str:
        units = c_uint32(_MAX_PATH_UNITS)
        path = ctypes.create_unicode_buffer(_MAX_PATH_UNITS)
        self._check(
            self._dll.QueryFullProcessImageNameW(process, 0, path, ctypes.byref(units)),
        )
        return path.value

    def is_32_bit(self, process: int) -> bool:
        answer = c_int32()
        self._check(self._dll.IsWow64Process(process, ctypes.byref(answer)))
        return bool(answer.value)

    def session(self, pid: int) -> int:
        number = c_uint32()
        self._check(self._dll.ProcessIdToSessionId(pid, ctypes.byref(number)))
        return number.value

    # memory

    def query(self, process: int, address: int) -> MemoryRegion | None:
        information = MemoryBasicInformation()
        size = ctypes.sizeof(information)
        got = self._dll.VirtualQueryEx(process, address, ctypes.byref(information), size)
        return region_of(information) if got else None

    def mapped_file(self, process: int, address: int) -> str:
        path = ctypes.create_unicode_buffer(_MAX_PATH_UNITS)
        self._dll.K32GetMappedFileNameW(process, address, path, _MAX_PATH_UNITS)
        return path.value

    def read(self, process: int, address: int, length: int) -> bytes | None:
        buffer, got = ctypes.create_string_buffer(length), c_size_t()
        done = self._dll.ReadProcessMemory(process, address, buffer, length, ctypes.byref(got))
        return buffer.raw if done and got.value == length else None

    # files

    def open_mapping(self, name: str) -> int:
        return self._checked(self._dll.OpenFileMappingW(FILE_MAP_READ, False, name))

    def map_view(self, mapping: int, offset: int) -> int:
        high, low = offset >> 32, offset & 0xFFFF_FFFF
        return self._checked(self._dll.MapViewOfFile(mapping, FILE_MAP_READ, high, low, 0))

    def unmap_view(self, address: int) -> None:
        self._dll.UnmapViewOfFile(address)

    def _checked(self, handle: int | None) -> int:
        if not handle:
            raise _fault(_last_number())
        return handle

    def _check(self, done: int) -> None:
        if not done:
            raise _fault(_last_number())
