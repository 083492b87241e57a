"""Films a page: the pictures that the browser itself paints, with their times."""

from __future__ import annotations

import asyncio
import base64
import io
import time
from collections.abc import AsyncIterator
from typing import Any

import numpy as np
from PIL import Image

from tests.adapters.browser import Page
from tests.adapters.flashes import Pixels


async def film(page: Page, seconds: float) -> AsyncIterator[tuple[float, Pixels]]:
    """Each picture that the page paints in *seconds*, with its time in seconds."""
    frames: asyncio.Queue[dict[str, Any]] = asyncio.Queue()
    page.listeners["Page.screencastFrame"] = frames.put_nowait
    try:
        await page.call("Page.startScreencast", format="png", everyNthFrame=1)
        end = time.monotonic() + seconds
        while (left := end - time.monotonic()) > 0:
            try:
                async with asyncio.timeout(left):
                    taken = await frames.get()
            except TimeoutError:
                break
            await page.call("Page.screencastFrameAck", sessionId=taken["sessionId"])
            yield taken["metadata"]["timestamp"], pixels(base64.b64decode(taken["data"]))
        await page.call("Page.stopScreencast")
    finally:
        del page.listeners["Page.screencastFrame"]


def pixels(picture: bytes) -> Pixels:
    """A picture file as height × width × 3."""
    with Image.open(io.BytesIO(picture)) as opened:
        return np.asarray(opened.convert("RGB"))
