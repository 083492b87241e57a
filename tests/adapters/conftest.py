"""What tests of the desk share."""

from __future__ import annotations

from collections.abc import AsyncIterator

import pytest_asyncio

from tests.adapters.canned_desk import DeskServer, desks


@pytest_asyncio.fixture(scope="module", loop_scope="module")
async def server() -> AsyncIterator[DeskServer]:
    """A server of desks that a test makes up."""
    async with desks() as listening:
        yield listening
