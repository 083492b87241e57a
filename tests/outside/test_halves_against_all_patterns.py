"""The search for halves against what numpy found in all 2^32 patterns, kept as digests.

Source: numpy, by ``half_digests.py``, which looks at every pattern and makes ``half_digests.json``.
"""

from __future__ import annotations

import hashlib
import json
from typing import Any

import numpy as np
import pytest

from bridge.solvers.halves import HalfSolutions, solutions
from tests.outside.half_digests import FILE, HALVES, INTERVALS, WANTS, digests, in_value_order

KEPT: dict[str, list[dict[str, Any]]] = json.loads(FILE.read_text("utf-8"))


def bounds(kept: dict[str, Any]) -> tuple[float, float]:
    return float.fromhex(kept["lowest"]), float.fromhex(kept["highest"])


def found(kept: dict[str, Any], want: int) -> HalfSolutions:
    lowest, highest = bounds(kept)
    return solutions(want, high=kept["half"] == "high", lowest=lowest, highest=highest)


def test_nothing_that_was_counted_is_left_out() -> None:
    assert len(KEPT["wanted"]) == 2 * len(WANTS) * len(INTERVALS)
    assert len(KEPT["counts"]) == 2 * len(INTERVALS)
    # all patterns but the infinities and what is not a number: IEEE 754-2019 3.4
    assert KEPT["counts"][0]["total"] == 2**32 - 2 * 2**23


@pytest.mark.parametrize("interval", INTERVALS)
@pytest.mark.parametrize("half", ["low", "high"])
def test_every_pattern_with_a_wanted_half_in_the_order_of_values(
    half: str, interval: tuple[str, str]
) -> None:
    cases = [
        kept
        for kept in KEPT["wanted"]
        if (kept["half"], kept["lowest"], kept["highest"]) == (half, *interval)
    ]
    assert [kept["want"] for kept in cases] == list(WANTS)
    for kept in cases:
        some = found(kept, kept["want"])
        assert some.count == kept["count"]
        words = b"".join(pattern.to_bytes(4, "big") for pattern in some.patterns())
        assert hashlib.sha256(words).hexdigest() == kept["sha256"]


@pytest.mark.parametrize("place", range(2 * len(INTERVALS)))
def test_the_count_of_each_of_the_65536_halves(place: int) -> None:
    kept = KEPT["counts"][place]
    counts = [found(kept, want).count for want in range(HALVES)]
    assert sum(counts) == kept["total"]
    words = b"".join(count.to_bytes(4, "big") for count in counts)
    assert hashlib.sha256(words).hexdigest() == kept["sha256"]


def test_the_script_that_made_the_digests_is_the_one_beside_them(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """On the first and last chunks alone, it counts what the search counts there."""
    from tests.outside import half_digests

    parts = []
    for patterns, values in in_value_order():
        parts.append((patterns, values))
        if len(parts) == 2:
            break
    lowest, highest = float(parts[0][1][0]), float(parts[-1][1][-1])
    monkeypatch.setattr(half_digests, "in_value_order", lambda: iter(parts))
    short = digests()["wanted"]
    everything = [kept for kept in short if kept["lowest"] == "-inf"]
    assert sum(kept["count"] for kept in everything) > 0
    for kept in everything:
        some = solutions(kept["want"], high=kept["half"] == "high", lowest=lowest, highest=highest)
        assert some.count == kept["count"]
        words = b"".join(pattern.to_bytes(4, "big") for pattern in some.patterns())
        assert hashlib.sha256(words).hexdigest() == kept["sha256"]
    assert all(np.isfinite(values).all() for _, values in parts)
