"""Every one of the 2^32 binary32 patterns, looked at by numpy, as counts and digests.

    python -m tests.outside.half_digests            checks half_digests.json, some minutes
    python -m tests.outside.half_digests --write    makes it

numpy alone decides: its view of a pattern as a float says which value it is, whether it is finite
and whether it lies in an interval; its integers say which half it has.  The digests are SHA-256
over 32-bit big-endian words: of the patterns with a wanted half in the order of their values, and
of the counts of patterns in an interval for each of the 65,536 halves.
"""

from __future__ import annotations

import hashlib
import json
import sys
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

FILE = Path(__file__).parent / "half_digests.json"
CHUNK = 1 << 22
HALVES = 1 << 16
EVERYTHING = ("-inf", "inf")
INTERVALS = (
    EVERYTHING,
    ("-0x1.8p+4", "0x1.90a3d7p+6"),
    ("-0x1.0p-130", "0x1.23456789abcdep-128"),
    ("0x0.0p+0", "0x0.0p+0"),
    ("-0x1.fffffep+127", "-0x1.fffffdfffffffp-3"),
)
"""Bounds as C99 writes floats: the whole range, a mixed one, subnormals, the zeros, a negative one
with a bound that is no binary32."""
WANTS = (0x0000, 0x0001, 0x2B6D, 0x7F7F, 0x7F80, 0x8000, 0xB0A0, 0xC3F5, 0xFF7F, 0xFFFF)

Patterns = npt.NDArray[np.uint32]


@dataclass
class Counted:
    """A digest that grows, with what went into it."""

    count: int = 0
    hash: Any = field(default_factory=hashlib.sha256)

    def add(self, words: npt.NDArray[Any]) -> None:
        self.count += len(words)
        self.hash.update(words.astype(">u4").tobytes())


def in_value_order() -> Iterator[tuple[Patterns, npt.NDArray[np.float32]]]:
    """All finite patterns with their values, from the least value on; checks that they rise."""
    last = -np.inf
    magnitudes = range(0, 1 << 31, CHUNK)
    for sign, starts in ((1 << 31, reversed(magnitudes)), (0, iter(magnitudes))):
        for start in starts:
            patterns = np.arange(sign + start, sign + start + CHUNK, dtype=np.uint32)
            if sign:
                patterns = patterns[::-1]
            patterns = np.ascontiguousarray(patterns)
            values = patterns.view(np.float32)
            finite = np.isfinite(values)
            if not finite.all():
                patterns, values = patterns[finite], values[finite]
            if len(values):
                if values[0] < last or not (values[1:] >= values[:-1]).all():
                    raise AssertionError(f"values do not rise at 0x{sign + start:08X}")
                last = values[-1]
                yield patterns, values


def digests() -> dict[str, Any]:
    """What the file holds, by looking at every pattern."""
    wanted = {
        (half, want, interval): Counted()
        for half in ("low", "high")
        for want in WANTS
        for interval in INTERVALS
    }
    counts = {
        (half, interval): np.zeros(HALVES, np.int64)
        for half in ("low", "high")
        for interval in INTERVALS
    }
    for patterns, values in in_value_order():
        doubles = values.astype(np.float64)
        for interval in INTERVALS:
            lowest, highest = map(float.fromhex, interval)
            inside = patterns[(doubles >= lowest) & (doubles <= highest)]
            if not len(inside):
                continue
            for half, halves in (("low", inside & 0xFFFF), ("high", inside >> 16)):
                counts[half, interval] += np.bincount(halves, minlength=HALVES)
                for want in WANTS:
                    wanted[half, want, interval].add(inside[halves == want])
    return {
        "wanted": [
            {
                "half": half,
                "want": want,
                "lowest": interval[0],
                "highest": interval[1],
                "count": found.count,
                "sha256": found.hash.hexdigest(),
            }
            for (half, want, interval), found in wanted.items()
        ],
        "counts": [
            {
                "half": half,
                "lowest": interval[0],
                "highest": interval[1],
                "total": int(found.sum()),
                "sha256": hashlib.sha256(found.astype(">u4").tobytes()).hexdigest(),
            }
            for (half, interval), found in counts.items()
        ],
    }


def main() -> None:
    text = json.dumps(digests(), indent=1) + "\n"
    if "--write" in sys.argv[1:]:
        FILE.write_text(text, "utf-8")
    elif FILE.read_text("utf-8") != text:
        raise SystemExit(f"{FILE.name} is not what numpy finds")
    print(f"{FILE.name}: {text.count('sha256')} digests of all 4,294,967,296 patterns")


if __name__ == "__main__":
    main()
