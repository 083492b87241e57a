"""Debian packages: what a test needs is told by the package's name, and `.ci/run` installs it."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from tests.packages import missing

ROOT = Path(__file__).parents[1]
NOT_OF_TESTS = {"python3-venv"}
"""The README's own command needs it."""
BY_HAND = {"nodejs", "npm"}
"""For tests whose further programs a registry has to give: not in `.ci/run`."""


def test_each_package_that_a_test_needs_is_installed_by_the_check_and_no_other() -> None:
    listed = re.search(r"packages=\((.*?)\)", (ROOT / ".ci/run").read_text("utf-8"), re.DOTALL)
    assert listed is not None
    paths = set((ROOT / "tests").rglob("*.py")) - {Path(__file__)}
    text = "".join(path.read_text("utf-8") for path in paths)
    named = re.findall(r"needs\(\s*\"([a-z0-9.-]+)\"|needs Debian package ([a-z0-9.-]+)", text)
    assert (
        set(listed[1].split()) - NOT_OF_TESTS == {mark or words for mark, words in named} - BY_HAND
    )


@pytest.mark.posix("Debian's packages")
def test_a_missing_program_or_header_is_told_with_the_packages_name() -> None:
    here = str(Path(__file__))
    assert missing("python3", "sh", here) == ""
    assert missing("sh") == ""
    assert missing("lamp-oil") == "needs Debian package lamp-oil: no lamp-oil"
    assert missing("lamp-oil", "sh", "lamp-cc") == "needs Debian package lamp-oil: no lamp-cc"
    header = f"{here}/lamp.h"
    assert missing("lamp-oil-dev", header) == f"needs Debian package lamp-oil-dev: no {header}"
