"""``--browser``: the desk page, opened once it is served."""

from __future__ import annotations

import asyncio
import logging
import webbrowser
from collections.abc import Sequence
from typing import Protocol, runtime_checkable

from bridge.ports.output import Output

__all__ = ["show_page"]


@runtime_checkable
class _Served(Protocol):
    """The output that serves pages; named so, it is loaded only where it is used."""

    url: str
    listening: asyncio.Event


async def show_page(outputs: Sequence[Output]) -> None:
    """Wait until the pages are served, and open the desk; without a browser the log tells where."""
    served = next((output for output in outputs if isinstance(output, _Served)), None)
    if served is None:
        return
    await served.listening.wait()
    page = f"{served.url}desk"
    if not await asyncio.to_thread(webbrowser.open, page):
        logging.getLogger("lowhalf").info("no browser was found; open %s in one", page)
