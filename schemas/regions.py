"""Whether what a schema places lies in the guest's memory: an address outside can never be read."""

from __future__ import annotations

from collections.abc import Iterator

from schemas.schema_file import Memory

__all__ = ["misplaced"]

_Window = tuple[int, int, str]
"""Start and end in guest addresses, and what messages call it."""


def misplaced(memory: Memory, address: int, size: int, *, whole: bool = False) -> str:
    """Why *size* bytes at a guest address cannot be read, behind "which"; empty where they can.

    A region is seen at its start and at each mirror.  Where one ends and another begins, what has
    parts may lie across; what is read in one piece (*whole*) may not.
    """
    windows = list(_windows(memory))
    inside = _window_at(windows, address)
    if inside is None:
        start, end, name = min(windows, key=lambda window: _distance(window, address))
        return f"is outside every region; the nearest is {name}, 0x{start:08X} to 0x{end - 1:08X}"
    last: _Window = inside
    while last[1] < address + size:
        following = None if whole else _window_at(windows, last[1])
        if following is None:
            return (
                f"with its 0x{size:X} byte{'s' * (size != 1)} reaches past the end of {last[2]} "
                f"at 0x{last[1]:08X}"
            )
        last = following
    return ""


def _windows(memory: Memory) -> Iterator[_Window]:
    for region in memory.regions:
        yield region.start, region.start + region.size, region.name
        for mirror in region.mirrors:
            yield mirror, mirror + region.size, f"a mirror of {region.name}"


def _window_at(windows: list[_Window], address: int) -> _Window | None:
    return next((window for window in windows if window[0] <= address < window[1]), None)


def _distance(window: _Window, address: int) -> int:
    start, end, _ = window
    return start - address if address < start else address - end + 1
