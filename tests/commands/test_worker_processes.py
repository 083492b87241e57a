"""Many pieces of work on several processes: in order, few at a time, and ended with their parent.

Processes are told by the system itself: what /proc says of them (proc(5)), and their exit codes.
"""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from adapters.commands.console import worker_processes
from adapters.commands.console.worker_processes import ProcessDied, each_done
from tests.commands import files

ROOT = Path(__file__).parents[2]


@pytest.fixture(autouse=True)
def two_processes(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(worker_processes, "FEWEST", 2)
    monkeypatch.setattr(worker_processes, "cores", lambda: 2)


def squares(folder: str) -> Callable[[int], tuple[int, int]]:
    """Squares a number in its own time, and says which process did; the first ones are slow."""

    def work(number: int) -> tuple[int, int]:
        Path(folder, str(number)).touch()
        if number < 0:
            os._exit(7)
        if number == 0:
            time.sleep(0.5)
        return number * number, os.getpid()

    return work


def test_results_come_in_order_from_other_processes_and_few_are_ahead(tmp_path: Path) -> None:
    numbers = list(range(60))
    results = each_done(squares, str(tmp_path), numbers)
    first = next(results)
    # while the first was waited for, no more than a few were done
    assert 2 <= len(list(tmp_path.iterdir())) <= 2 * 4 + 2
    found = [first, *results]
    assert [each[0] for each in found if not isinstance(each, ProcessDied)] == [
        number * number for number in numbers
    ]
    done_by = {each[1] for each in found if not isinstance(each, ProcessDied)}
    assert len(done_by) == 2
    assert os.getpid() not in done_by


def test_a_process_that_dies_costs_its_own_piece_alone(tmp_path: Path) -> None:
    numbers = [1, -2, 3, -4, 5]
    found = list(each_done(squares, str(tmp_path), numbers))
    died = [isinstance(each, ProcessDied) for each in found]
    assert died == [number < 0 for number in numbers]
    assert str(found[1]) == "the process that read it ended with 7"


def broken(_: None) -> Callable[[int], int]:
    def work(number: int) -> int:
        return 1 // number

    return work


def test_a_fault_of_ours_is_no_result() -> None:
    with pytest.raises(RuntimeError, match="ZeroDivisionError"):
        list(each_done(broken, None, [1, 0, 1]))


FOREVER = """
import sys, time
from pathlib import Path
from adapters.commands.console import worker_processes
from adapters.commands.main import main

def slow(folder):
    seconds = sys.argv[2]
    def work(number):
        Path(folder, str(__import__("os").getpid())).touch()
        time.sleep(float(seconds))
    return work

if __name__ == "__main__":
    worker_processes.FEWEST = 2
    worker_processes.cores = lambda: 2
    from adapters.commands.console.stopped import Stopped
    try:
        list(worker_processes.each_done(slow, sys.argv[1], range(9)))
    except Stopped as stopped:
        raise SystemExit(stopped.exit_code)
"""


def alive(pids: list[int]) -> list[int]:
    """Those that still run; one that nobody has waited for yet is a zombie, state Z."""
    found = []
    for pid in pids:
        try:
            state = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0]
        except FileNotFoundError:
            continue
        if state not in "ZX":
            found.append(pid)
    return found


@pytest.mark.skipif(sys.platform != "linux", reason="looks into /proc")
@pytest.mark.parametrize("name", ["SIGTERM", "SIGINT", "SIGKILL"])
def test_the_processes_end_with_their_parent(name: str, tmp_path: Path) -> None:
    number = getattr(signal, name)
    script, folder = tmp_path / "forever.py", tmp_path / "pids"
    # asleep in its work, a process finds the pipe closed at the end of it
    seconds = "1" if name == "SIGKILL" else "600"
    script.write_text(FOREVER, "utf-8")
    folder.mkdir()
    with subprocess.Popen(
        [sys.executable, str(script), str(folder), seconds],
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        stderr=subprocess.DEVNULL,
    ) as parent:
        for _ in _until(lambda: len(list(folder.iterdir())) == 2):
            pass
        pids = [int(each.name) for each in folder.iterdir()]
        assert alive(pids) == pids
        parent.send_signal(number)
        code = parent.wait(30)
    assert code == (-number if name == "SIGKILL" else 128 + number)
    for _ in _until(lambda: not alive(pids)):
        pass


def _until(done: Callable[[], bool]) -> Iterator[None]:
    end = time.monotonic() + 30
    while not done():
        assert time.monotonic() < end
        time.sleep(0.02)
        yield


@pytest.mark.skipif(sys.platform == "win32", reason="there is no getrusage")
def test_memory_stays_flat(tmp_path: Path) -> None:
    """Of many dumps that are read no more is kept than of few (ru_maxrss, getrusage(2))."""
    bridge = files.write(tmp_path)
    for number in range(120):
        (tmp_path / f"{number:03}.bin").write_bytes(bytes(files.ram()))
    script = (
        "import resource, sys\n"
        "from adapters.commands.main import main\n"
        "code = main(sys.argv[1:])\n"
        "print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss,"
        " resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss, file=sys.stderr)\n"
        "raise SystemExit(code)\n"
    )
    most = []
    for count in (30, 120):
        dumps = [str(tmp_path / f"{number:03}.bin") for number in range(count)]
        done = subprocess.run(
            [sys.executable, "-c", script, "read", str(bridge), "--json", "--dump", *dumps],
            env={**os.environ, "PYTHONPATH": str(ROOT)},
            capture_output=True,
            text=True,
        )
        assert done.returncode == 0, done.stderr
        assert done.stdout.count("\n") == count
        most.append([int(word) for word in done.stderr.split()])
    for few, many in zip(*most, strict=True):
        assert many < 1.15 * few
