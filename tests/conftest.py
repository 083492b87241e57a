"""What every test may use."""

from __future__ import annotations

import shutil
from collections.abc import AsyncIterator, Iterator

import pytest
from hypothesis import HealthCheck, settings

from tests.adapters.browser import Page, chromium, new_page

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


@pytest.fixture(scope="module")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """The DevTools address of a chromium that the module has for itself."""
    with chromium(tmp_path_factory.mktemp("profile")) as address:
        yield address


@pytest.fixture
async def page(browser: str) -> AsyncIterator[Page]:
    """A tab; at the end the browser must have found nothing wrong."""
    async with new_page(browser) as opened:
        yield opened
        assert opened.faults == []
