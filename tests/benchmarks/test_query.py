"""The ratios that queries must keep, in short form; ``query.py`` prints all of them."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.benchmarks import query
from tests.benchmarks.test_evaluation import least

COLUMNS = {"fields": query.FIELDS, "pointers": query.POINTERS}


@pytest.mark.parametrize("columns", COLUMNS)
def test_all_frames_at_once_cost_less_than_one_after_the_other(
    columns: str, tmp_path: Path
) -> None:
    path = tmp_path / "made.mcap"
    query.record(path, 960)

    def ratios() -> float:
        found = query.cost(path, COLUMNS[columns], alone=1)
        # less than the engine's, and at most a tenth of one watch at a time
        return max(found.at_once / found.engine * 1.2, found.at_once / found.one_by_one * 10)

    assert least(ratios, 1.0) <= 1.0


def test_the_first_frame_of_many_is_found_in_hardly_more_time_than_they_are_evaluated(
    tmp_path: Path,
) -> None:
    """The command as a whole, less its start, against one field in the frames of half a minute."""
    path, short = tmp_path / "made.mcap", tmp_path / "short.mcap"
    query.record(path, 1800)
    query.record(short, 1)

    def ratio() -> float:
        field = query.cost(path, query.FIELDS[:1], alone=1).at_once
        start = query.first(short, 1).processor
        return (query.first(path, 1800).processor - start) / 1800 / field

    assert least(ratio, 3.0) <= 3.0
