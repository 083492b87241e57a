"""The fuzzing of expressions, for some of the processor's time; ``fuzz_expressions.py`` goes on."""

from __future__ import annotations

import pytest

from tests.outside.fuzz_expressions import Fuzz


@pytest.mark.parametrize("seed", [1, 20261127])
@pytest.mark.parametrize("seconds", [1.5, pytest.param(30.0, marks=pytest.mark.full)])
def test_no_text_breaks_out_or_holds_a_frame(seed: int, seconds: float) -> None:
    fuzz = Fuzz(seed)
    fuzz.run(seconds)
    # what came of it was of all kinds, so that the two things held are worth something
    for kind in ("ok", "error", "refused", "questions", "targets"):
        assert fuzz.seen[kind], kind
    assert 0 < fuzz.slowest <= 0.1
