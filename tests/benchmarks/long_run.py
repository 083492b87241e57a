"""Whether a daemon that runs for long stays as small as it was, whatever comes and goes.

    python -m tests.benchmarks.long_run --minutes 10     in real time: QEMU, mosquitto, chromium
    python -m tests.benchmarks.long_run --day            a day in virtual time, every frame of it
    python -m tests.benchmarks.long_run --day --every 8 --frames 12     what the tests run

In real time it is the real command in a process of its own, on a terminal; an emulator with each of
the game's builds, the broker, the browser's tabs and clients that stall come and go every second or
two.  The day is `tests/long_day.py`; `--every 8` lives one minute in eight, `--frames` are those in
a minute, `--seconds` ends it where it is after so much real time, and `--trace` says which lines of
code hold more in the end.  Needs Debian's mosquitto, for real time also gcc-mips-linux-gnu,
qemu-system-mips and chromium; Linux.
"""

from __future__ import annotations

import argparse
import json
import tempfile
import time
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from pathlib import Path

from tests.benchmarks.held import Held, table
from tests.benchmarks.live_long_run import live_run
from tests.long_day import FRAMES_A_MINUTE, live_through

MAX_LINES = 15


def main(arguments: Sequence[str] | None = None) -> int:
    """Prints each row as it is measured, the table, what happened, and what grew."""
    parser = argparse.ArgumentParser(description="memory, descriptors, threads and tasks over time")
    kind = parser.add_mutually_exclusive_group(required=True)
    kind.add_argument("--minutes", type=float, help="in real time")
    kind.add_argument("--day", action="store_true", help="a day in virtual time")
    parser.add_argument("--every", type=int, default=1, help="of the day's minutes, one in so many")
    parser.add_argument("--frames", type=int, default=FRAMES_A_MINUTE, help="in a minute")
    parser.add_argument("--seconds", type=float, help="of real time that the day may take")
    parser.add_argument("--looks", type=int, default=10, help="how often the day is measured")
    parser.add_argument("--trace", action="store_true", help="follow what Python allocates")
    parser.add_argument("--json", type=Path, metavar="FILE", help="write it there as well")
    chosen = parser.parse_args(arguments)

    def say(row: Held) -> None:
        print(row, flush=True)

    began, processor = time.perf_counter(), time.process_time()
    grown: Mapping[str, int] = {}
    log: Mapping[str, int] = {}
    with tempfile.TemporaryDirectory() as name:
        if chosen.day:
            day = live_through(
                Path(name),
                every=chosen.every,
                frames=chosen.frames,
                trace=chosen.trace,
                looks=[look / chosen.looks for look in range(chosen.looks + 1)],
                say=say,
                seconds=chosen.seconds,
            )
            rows, happened, grown, said = day.rows, day.happened, day.growth, day.errors
            log = dict(day.log.most_common())
        else:
            run = live_run(Path(name), chosen.minutes * 60, say)
            rows, happened, said = run.rows, run.happened, run.log.splitlines()
    print(table(rows))
    print(", ".join(f"{count} {what}" for what, count in happened.items()))
    for what, size in list(grown.items())[:MAX_LINES]:
        print(f"{size:+}  {what}")
    for words, count in log.items():
        print(f"{count:5} times: {words}")
    print(*said[-MAX_LINES:], sep="\n")
    seconds, processor = time.perf_counter() - began, time.process_time() - processor
    print(f"{seconds:.0f} s, {processor:.0f} s of the processor's time in this process")
    if chosen.json is not None:
        told = {"rows": [asdict(row) for row in rows], "happened": happened, "grown": grown}
        chosen.json.write_text(json.dumps(told | {"said": said, "log": log}), "utf-8")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
