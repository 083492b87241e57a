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
    """Each picture that the page paints in *seconds*, with its time in seconds.

    They are given when all were taken: whoever looks at them long must not slow the camera.
    """
    frames: asyncio.Queue[dict[str, Any]] = asyncio.Queue()
    page.listeners["Page.screencastFrame"] = frames.put_nowait
    taken: list[tuple[float, str]] = []
    try:
        await page.call("Page.startScreencast", format="png", everyNthFrame=1)
        end = time.monotonic() + seconds
        while (left := end - time.monotonic()) > 0:
            try:
                async with asyncio.timeout(left):
                    picture = await frames.get()
            except TimeoutError:
                break
            await page.call("Page.screencastFrameAck", sessionId=picture["sessionId"])
            taken.append((picture["metadata"]["timestamp"], picture["data"]))
        await page.call("Page.stopScreencast")
    finally:
        del page.listeners["Page.screencastFrame"]
    for at, data in taken:
        yield at, pixels(base64.b64decode(data))


TICK = """
{
  const tick = document.createElement("i");
  tick.style.cssText = "position: fixed; right: 0; bottom: 0; width: 1px; height: 1px";
  document.documentElement.append(tick);
  const paint = (now) => {
    tick.style.background = now % 2 < 1 ? "#777" : "#787878";
    requestAnimationFrame(paint);
  };
  requestAnimationFrame(paint);
}
0
"""
"""A script by which a page paints in every animation frame, also where nothing in it changes: a
pixel that nobody sees."""


def pixels(picture: bytes) -> Pixels:
    """A picture file as height × width × 3."""
    with Image.open(io.BytesIO(picture)) as opened:
        return np.asarray(opened.convert("RGB"))
