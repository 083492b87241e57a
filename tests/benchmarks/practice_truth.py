"""Is what is told of practice true?  ``python -m tests.benchmarks.practice_truth [--rounds N]``.

Plays the demo game's practice of 200 attempts on the emulated machine, about 45 s a round, told by
a daemon at the machine's present load and by one that is held back for a third of the time.  Prints
how many verdicts were whole, how many marked, and how many of these are not what happened; and each
that was wrong and unmarked: the exit code is 1 where there is any.

Needs Debian's gcc-mips-linux-gnu and qemu-system-mips.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from pathlib import Path

from tests import practice_live
from tests.guest import build as guest_build
from tests.guest import practice
from tests.guest.machine import GuestMachine


def main() -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--rounds", type=int, default=3, help="practices to play (3)")
    parser.add_argument("--build", default="first-print", help="the game's build")
    rounds = parser.parse_args()
    wrong = 0
    for number in range(1, rounds.rounds + 1):
        with tempfile.TemporaryDirectory() as name:
            directory = Path(name)
            elf = guest_build.build(directory)[rounds.build]
            with GuestMachine(elf, directory) as machine:
                both = practice_live.play(machine, directory, practice.ATTEMPTS)
        for title, told in zip(practice_live.NAMES, both, strict=True):
            found = told.judgement
            wrong += len(found.wrong)
            print(
                f"round {number}, {title}: {len(told.attempts)} attempts, {found.whole} whole, "
                f"{found.marked} marked ({found.mistaken} of them mistaken), "
                f"{told.missed:.1%} of the frames missed, "
                f"{len(found.wrong)} wrong and unmarked"
            )
            for words in found.wrong:
                print(f"  {words}")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
