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
