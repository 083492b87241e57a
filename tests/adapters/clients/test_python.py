"""The Python kit, run for real."""

from __future__ import annotations

import ast
import sys
from pathlib import Path

import pytest

from tests.adapters.clients import kit_run

DRIVER = [sys.executable, str(kit_run.DRIVERS / "driver.py")]


@pytest.mark.parametrize("order", kit_run.ORDERS)
def test_under_the_daemon(tmp_path: Path, order: int) -> None:
    kit_run.run_against_the_daemon(DRIVER, tmp_path, order)


def test_frames_in_parts(tmp_path: Path) -> None:
    kit_run.run_with_small_messages(DRIVER, tmp_path)


def test_most_ranges(tmp_path: Path) -> None:
    kit_run.run_with_most_ranges(DRIVER, tmp_path)


def test_refused(tmp_path: Path) -> None:
    kit_run.run_until_refused(DRIVER, tmp_path, "tide is out (code 11)")


def test_nobody_there(tmp_path: Path) -> None:
    kit_run.run_with_nobody_there(DRIVER, tmp_path)


def test_it_needs_the_standard_library_only() -> None:
    tree = ast.parse((kit_run.KITS / "lhp_client.py").read_text("utf-8"))
    names: set[str] = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            names.update(alias.name.split(".")[0] for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            names.add((node.module or "").split(".")[0])
    assert names
    assert names <= sys.stdlib_module_names
