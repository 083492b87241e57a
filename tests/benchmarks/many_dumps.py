"""Many dumps in one run: ``python -m tests.benchmarks.many_dumps [--count N]``.

`lowhalf read --json` of N copies of a packed dump of 4 MiB: processor time and resident memory of
all its processes, as the system counts them (getrusage(2)), for a fifth of N and for N.  Beside it
stands what unpacking alone takes, which zlib does.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
import time
import zlib
from pathlib import Path

SAMPLES = Path(__file__).parents[2] / "sample_dumps"
BRIDGE = SAMPLES / "first-print-carry.bridge.toml"
DUMP = SAMPLES / "first-print-carry.bin.gz"

MEASURED = """
import resource, sys
from adapters.commands.main import main
code = main(sys.argv[1:])
uses = [resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)]
print(sum(u.ru_utime + u.ru_stime for u in uses), *(u.ru_maxrss for u in uses), file=sys.stderr)
raise SystemExit(code)
"""


def unpacking() -> float:
    """Seconds of the processor's time for one dump."""
    packed, best = DUMP.read_bytes(), 1.0
    for _ in range(9):
        begun = time.process_time()
        zlib.decompress(packed, 31)
        best = min(best, time.process_time() - begun)
    return best


def read(count: int) -> tuple[float, float, list[float]]:
    """Seconds of the processor's time, seconds, and MiB: the command's, the largest worker's."""
    with tempfile.TemporaryDirectory() as folder:
        for number in range(count):
            os.link(_copy(Path(folder)), Path(folder, f"{number:06}.bin.gz"))
        begun = time.monotonic()
        done = subprocess.run(
            [sys.executable, "-c", MEASURED, "read", str(BRIDGE), "--json", "--dump", folder],
            capture_output=True,
            text=True,
            check=True,
        )
        took = time.monotonic() - begun
    if done.stdout.count("\n") != count:
        raise AssertionError(f"expected {count} lines, found {done.stdout.count(chr(10))}")
    seconds, *kib = (float(word) for word in done.stderr.split())
    return seconds, took, [each / 1024 for each in kib]


def _copy(folder: Path) -> Path:
    """The dump on the folder's own file system; hidden, so that it is no dump of the folder's."""
    copy = folder / ".dump.bin.gz"
    if not copy.exists():
        copy.write_bytes(DUMP.read_bytes())
    return copy


def main() -> None:
    """Print what was measured."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--count", type=int, default=1000)
    count = parser.parse_args().count
    print(f"unpacking alone: {unpacking() * 1e3:.1f} ms")
    for number in (count // 5, count):
        seconds, took, (ours, worker) = read(number)
        print(
            f"{number} dumps: {seconds / number * 1e3:.1f} ms of the processor's time each, "
            f"{took:.1f} s, {ours:.0f} MiB and {worker:.0f} MiB in the largest worker"
        )


if __name__ == "__main__":
    main()
