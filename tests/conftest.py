"""What every test may use."""

from __future__ import annotations

import shutil

import pytest
from hypothesis import HealthCheck, settings

# machines are noisy: how long an example takes says nothing
settings.register_profile("lowhalf", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("lowhalf")


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Skip a test with the name of the Debian package that it needs, where that is missing."""
    for item in items:
        for mark in item.iter_markers("needs"):
            package, *programs = mark.args
            missing = [name for name in programs or [package] if shutil.which(name) is None]
            if missing:
                item.add_marker(
                    pytest.mark.skip(reason=f"needs Debian package {package}: no {missing[0]}")
                )
