"""The compiled core that is handed out is the source beside it, and does without its runner."""

from __future__ import annotations

import subprocess
import sys

import pytest

from adapters.planning.compiled_engine import CORE
from adapters.planning.engines import engine_here
from tests.build_engine import SOURCE, built
from tests.systems import WINDOWS


@pytest.mark.skipif(
    not sys.platform.startswith("linux"), reason="the compiler is a development extra on Linux"
)
def test_rebuilt_it_is_the_same_to_the_byte() -> None:
    assert CORE.read_bytes() == built(), f"{SOURCE.name} changed: python -m tests.build_engine"


def test_the_source_stays_small() -> None:
    for file in (SOURCE, SOURCE.with_name("heap.h")):
        assert len(file.read_text("utf-8").splitlines()) < 420


def test_here_it_runs() -> None:
    assert WINDOWS or engine_here().engine is not None


@pytest.mark.parametrize(
    ("before", "words"),
    [
        (
            "sys.modules['wasmtime'] = None",
            "plain Python searches, some thirty times slower: wasmtime is not installed; "
            "pip install 'lowhalf[planner]'",
        ),
        (
            "import wasmtime; wasmtime.Engine = None",
            "plain Python searches, some thirty times slower: wasmtime cannot run here "
            "('NoneType' object is not callable)",
        ),
    ],
)
def test_without_its_runner_there_is_the_plain_engine(before: str, words: str) -> None:
    script = f"""
import sys
{before}
from adapters.planning.engines import engine_here
here = engine_here()
assert here.engine is None and here is engine_here()
print(here.why)
"""
    done = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, encoding="utf-8", check=True
    )
    assert done.stdout.strip() == words
