"""Runs an output beside a test."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

from bridge.ports.output import Output


@asynccontextmanager
async def running(output: Output) -> AsyncIterator[asyncio.Task[None]]:
    """The output's task; cancelled at the end, which it must obey within a second."""
    task = asyncio.create_task(output.run())
    try:
        yield task
    finally:
        task.cancel()
        async with asyncio.timeout(1.0):
            await asyncio.wait([task])
        if not task.cancelled():
            failure = task.exception()
            if failure is not None:
                raise failure
