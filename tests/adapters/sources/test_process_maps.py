"""The files under /proc/PID, by the formats of proc(5) of the Linux man-pages."""

from __future__ import annotations

import mmap
import os
import subprocess
import sys
import time

import pytest

from adapters.sources.process.mapping import Mapping, ProcessStat
from adapters.sources.process.process_maps import (
    LifeLine,
    first_argument,
    parse_maps,
    parse_stat,
    present_runs,
    processes,
    read_maps,
    read_present_runs,
    read_stat,
    seconds_since_boot,
)

on_linux = pytest.mark.skipif(sys.platform != "linux", reason="needs Linux's /proc")

# the shape of the lines is that of proc_pid_maps(5)
MAPS = b"""\
00400000-00452000 r-xp 00001000 08:02 173521                             /opt/tide host (old)
7f10a0000000-7f10a0400000 rw-p 00000000 00:00 0\x20
7f10a0400000-7f10a0500000 rw-s 00200000 00:01 2049                       /memfd:ram (deleted)
7f10a0500000-7f10a0600000 ---p 00000000 00:00 0\x20
7ffc0000-7ffd0000 rw-p 00000000 00:00 0                                  [stack]
ffffffffff600000-ffffffffff601000 --xp 00000000 00:00 0                  [vsyscall]
"""


def test_mappings() -> None:
    first, ram, shared, guard, stack, last = parse_maps(MAPS)
    assert first == Mapping(
        0x400000, 0x452000, True, False, False, 0x1000, "08:02 173521", "/opt/tide host (old)"
    )
    assert ram == Mapping(0x7F10A0000000, 0x7F10A0400000, True, True, False, 0, "", "")
    assert ram.size == 0x400000
    assert shared.shared
    assert (shared.offset, shared.path) == (0x200000, "/memfd:ram (deleted)")
    assert not guard.readable
    assert stack.path == "[stack]"
    assert last.end == 0xFFFF_FFFF_FF60_1000


@pytest.mark.parametrize(
    "line",
    [b"lamp", b"1-2-3 rw-p 0 0:0 0", b"00400000 rw-p 0 00:00 0", b"1-2 rw-p 0 00:00", b"1-2 r 0"],
)
def test_a_line_that_is_none(line: bytes) -> None:
    with pytest.raises(ValueError, match="not a line of a maps file"):
        parse_maps(MAPS + line + b"\n")


def test_a_path_that_is_no_text() -> None:
    (one,) = parse_maps(b"1000-2000 rw-p 0 00:01 7 /lamp\xff\n")
    assert one.path == "/lamp\\xff"


STAT = b"71 (%b) S 70 71 71 0 -1 4194304 9 0 0 0 1 2 0 0 20 0 1 0 8123 1000 20 1844 1 1 0\n"


@pytest.mark.parametrize("name", [b"tidehost", b"a) R 1 (b", b"two words", b")", b""])
def test_a_name_with_brackets_and_spaces(name: bytes) -> None:
    assert parse_stat(STAT % name) == ProcessStat(name.decode(), "S", 70, 8123)


@pytest.mark.parametrize("text", [b"", b"71", b"71 (lamp) S", b"(lamp", STAT.replace(b"(", b"")])
def test_a_stat_that_is_none(text: bytes) -> None:
    with pytest.raises(ValueError, match="not a stat file"):
        parse_stat(text.replace(b"%b", b"lamp"))


@pytest.mark.parametrize("letter", "SRDTZX")
def test_what_has_ended(letter: str) -> None:
    stat = ProcessStat("lamp", letter, 1, 1)
    assert stat.ended == (letter in "ZX")


PRESENT, SWAPPED = 1 << 63, 1 << 62


@pytest.mark.parametrize(
    ("entries", "runs"),
    [
        ([], []),
        ([0, 0], []),
        ([PRESENT, PRESENT | 5], [(0x8000, 0x2000)]),
        ([0, SWAPPED, 0, PRESENT], [(0x9000, 0x1000), (0xB000, 0x1000)]),
        ([1 << 61, 1 << 55], []),  # what the other bits say is something else
    ],
)
def test_runs_of_pages(entries: list[int], runs: list[tuple[int, int]]) -> None:
    assert list(present_runs(entries, 0x8000, 0x1000)) == runs


@on_linux
def test_this_process_itself() -> None:
    page = mmap.PAGESIZE
    with mmap.mmap(-1, 64 * page) as memory:
        memory[3 * page : 5 * page] = b"\x01" * (2 * page)
        memory[9 * page] = 7
        import ctypes

        handle = ctypes.c_char.from_buffer(memory)
        start = ctypes.addressof(handle)
        (area,) = (each for each in read_maps(os.getpid()) if each.start <= start < each.end)
        runs = list(read_present_runs(os.getpid(), start, start + 64 * page))
        del handle
    assert area.readable
    assert area.writable
    assert runs == [(start + 3 * page, 2 * page), (start + 9 * page, page)]


@on_linux
def test_a_child_and_its_end() -> None:
    child = subprocess.Popen([sys.executable, "-c", "input()"], stdin=subprocess.PIPE)
    try:
        stat = read_stat(child.pid)
        assert stat is not None
        assert not stat.ended
        assert stat.parent == os.getpid()
        assert child.pid in set(processes())
        end = time.monotonic() + 10
        while not first_argument(child.pid):  # a moment passes before it is the other program
            assert time.monotonic() < end
            time.sleep(0.01)
        assert first_argument(child.pid) == sys.executable
        # proc_pid_stat(5): starttime is in clock ticks after boot
        age = seconds_since_boot() - stat.start / os.sysconf("SC_CLK_TCK")
        assert -0.1 < age < 20
    finally:
        child.kill()
    os.waitid(os.P_PID, child.pid, os.WEXITED | os.WNOWAIT)
    dead = read_stat(child.pid)
    assert dead is not None
    assert dead.ended
    child.wait()
    assert child.stdin is not None
    child.stdin.close()
    assert read_stat(child.pid) is None
    assert first_argument(child.pid) == ""


@on_linux
def test_a_life_line_tells_of_the_end_before_anyone_has_waited_for_it() -> None:
    child = subprocess.Popen([sys.executable, "-c", "input()"], stdin=subprocess.PIPE)
    line = LifeLine(child.pid)
    try:
        assert line.holds
    finally:
        child.kill()
    os.waitid(os.P_PID, child.pid, os.WEXITED | os.WNOWAIT)
    assert not line.holds
    child.wait()
    assert not line.holds
    line.close()
    line.close()
    assert not line.holds
    with pytest.raises(ProcessLookupError):
        LifeLine(child.pid)
    assert child.stdin is not None
    child.stdin.close()


@on_linux
@pytest.mark.parametrize("fault", [PermissionError(1, "no"), OSError(38, "no such call")])
def test_where_there_are_no_life_lines_none_holds(
    monkeypatch: pytest.MonkeyPatch, fault: OSError
) -> None:
    def refuse(pid: int) -> int:
        raise fault

    monkeypatch.setattr(os, "pidfd_open", refuse)
    assert not LifeLine(os.getpid()).holds
    monkeypatch.delattr(os, "pidfd_open")
    assert not LifeLine(os.getpid()).holds
