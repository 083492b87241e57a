"""lowhalf never touches the game: the system calls of live runs, as strace shows them."""

from __future__ import annotations

import os
import re
import subprocess
import sys
import time
from collections.abc import Iterable
from pathlib import Path

import psutil
import pytest

from tests.commands.warm_start import COLD_START
from tests.guest.machine import GuestMachine
from tests.guest.private_machine import PrivateMachine

ROOT = Path(__file__).parent.parent.parent

pytestmark = [
    pytest.mark.skipif(sys.platform != "linux", reason="strace is for Linux"),
    pytest.mark.needs("strace", "strace"),
    pytest.mark.needs("qemu-system-mips", "qemu-system-mips"),
    pytest.mark.needs("gcc-mips-linux-gnu", "mips-linux-gnu-gcc"),
]

BRIDGE = """
schema = "SCHEMA"
[source]
SOURCE
[sampling]
frame = "frame_began"
guard = { began = "frame_began", ended = "frame_ended" }
[[watches]]
name = "x"
expr = "courier.position.x"
"""

# every way of open(2) to change a file, by the names that strace gives its flags
_CHANGING = re.compile(r"O_WRONLY|O_RDWR|O_CREAT|O_TRUNC|O_APPEND|O_TMPFILE|\bcreat\(")
_OPENING = re.compile(r"\b(?:open|openat|openat2|creat)\(")
_NEVER = re.compile(
    r"\b(process_vm_writev|ptrace|truncate|ftruncate|unlink|unlinkat|rename|renameat|renameat2|"
    r"pwrite64|pwritev|pwritev2|kill|tgkill|tkill|pidfd_send_signal|process_madvise)\("
)
_SHARED_MAPPING = re.compile(r"\bmmap\(.*PROT_WRITE.*MAP_SHARED(?!\|MAP_ANON)")


def changing_calls(trace: Iterable[str]) -> list[str]:
    """The calls that change a file or another process, or could."""
    return [
        line
        for line in trace
        if (_OPENING.search(line) and _CHANGING.search(line))
        or _NEVER.search(line)
        or _SHARED_MAPPING.search(line)
    ]


def traced(directory: Path, *command: str, until: tuple[str, int] = ("", 0)) -> list[str]:
    """The system calls of a Python program and all its threads and children.

    *until* has it told to end once a text stands in so many of them.
    """
    log, (words, count) = directory / "strace.txt", until
    with subprocess.Popen(
        ["strace", "-f", "-y", "-qq", "-s", "400", "-o", str(log), sys.executable, *command],
        stderr=subprocess.PIPE,
        text=True,
        cwd=directory,
        # Python's own cache of compiled modules is not what is looked for
        env={**os.environ, "PYTHONPATH": str(ROOT), "PYTHONDONTWRITEBYTECODE": "1"},
    ) as strace:
        if words:
            end = time.monotonic() + 120
            while not log.exists() or log.read_text("utf-8", "replace").count(words) < count:
                assert strace.poll() is None
                assert time.monotonic() < end
                time.sleep(0.1)
            (program,) = psutil.Process(strace.pid).children()
            program.terminate()
        said = strace.communicate(timeout=120)[1]
    assert strace.returncode == 0, said
    return log.read_text("utf-8", "replace").splitlines()


def run_traced(directory: Path, source: str, reading: str) -> list[str]:
    """The system calls of ``lowhalf run`` until it has read 40 times."""
    schema = (ROOT / "schemas/games/tidewright.schema.toml").as_posix()
    path = directory / "live.bridge.toml"
    path.write_text(BRIDGE.replace("SCHEMA", schema).replace("SOURCE", source), "utf-8")
    return traced(directory, "-c", COLD_START, "run", str(path), "--quiet", until=(reading, 40))


def test_shared_memory_is_only_read(tmp_path: Path, elf: Path) -> None:
    with GuestMachine(elf, tmp_path) as guest:
        ram = guest.ram_path.as_posix()
        trace = run_traced(tmp_path, f'kind = "shared"\npath = "{ram}"', "pread64(")
    opened = [line for line in trace if _OPENING.search(line) and f'"{ram}"' in line]
    assert opened
    assert all("O_RDONLY" in line for line in opened)
    assert sum("pread64(" in line and f"<{ram}>" in line for line in trace) > 20
    assert changing_calls(trace) == []


def test_a_process_is_only_read(tmp_path: Path, elf: Path) -> None:
    with PrivateMachine(elf, tmp_path) as guest:
        trace = run_traced(tmp_path, f'kind = "process"\npid = {guest.pid}', "process_vm_readv(")
    reads = [line for line in trace if f"process_vm_readv({guest.pid}," in line]
    assert len(reads) > 20
    opened = [line for line in trace if _OPENING.search(line) and f'"/proc/{guest.pid}/' in line]
    assert opened
    assert all("O_RDONLY" in line for line in opened)
    assert not any(f"/proc/{guest.pid}/mem" in line for line in trace)
    assert changing_calls(trace) == []


@pytest.mark.parametrize(
    ("code", "call"),
    [
        ("open({0!r}, 'r+b')", "openat("),
        ("open({0!r}, 'ab')", "openat("),
        ("import os; os.truncate({0!r}, 4)", "truncate("),
        ("import mmap; mmap.mmap(os.open({0!r}, os.O_RDONLY), 4, prot=1)", ""),
        ("import os; os.kill(os.getpid(), 0)", "kill("),
        (
            "import ctypes; ctypes.CDLL(None).process_vm_writev(1, None, 0, None, 0, 0)",
            "process_vm_writev(",
        ),
        ("import ctypes; ctypes.CDLL(None).ptrace(7, 0, 0, 0)", "ptrace("),
    ],
)
def test_what_changes_something_would_be_seen(tmp_path: Path, code: str, call: str) -> None:
    target = tmp_path / "ram"
    target.write_bytes(bytes(64))
    trace = traced(tmp_path, "-c", "import os; " + code.format(str(target)))
    found = changing_calls(trace)
    assert bool(found) == bool(call), found
    assert all(call in line for line in found)
