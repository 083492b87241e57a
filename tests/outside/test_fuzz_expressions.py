"""A few seconds of the fuzzing of expressions; ``fuzz_expressions.py`` is the full form.

Set LOWHALF_FUZZ_SECONDS for more of it.
"""

from __future__ import annotations

import os

import pytest

from tests.outside.fuzz_expressions import Fuzz

SECONDS = float(os.environ.get("LOWHALF_FUZZ_SECONDS", "8"))


@pytest.mark.parametrize("seed", [1, 20261127])
def test_no_text_breaks_out_or_holds_a_frame(seed: int) -> None:
    fuzz = Fuzz(seed)
    fuzz.run(SECONDS)
    # what came of it was of all kinds, so that the two things held are worth something
    for kind in ("ok", "error", "refused", "questions", "targets"):
        assert fuzz.seen[kind], kind
    assert 0 < fuzz.slowest <= 0.1
