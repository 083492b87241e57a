"""The core's tests wait on a loop on which waiting takes no time, but for those that follow a game
in real time."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Mapping

import pytest

from tests.virtual_clock import VirtualLoop


def pytest_asyncio_loop_factories(
    config: pytest.Config, item: pytest.Item
) -> Mapping[str, Callable[[], asyncio.AbstractEventLoop]]:
    if item.get_closest_marker("timing") is not None:
        return {"real": asyncio.new_event_loop}
    return {"virtual": VirtualLoop}
