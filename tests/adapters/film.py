"""Films a page: pictures of it at times that we set."""

from __future__ import annotations

import base64
import io
from collections.abc import AsyncIterator, Callable

import numpy as np
from PIL import Image

from tests.adapters.browser import FRAME, Page
from tests.adapters.flashes import Pixels


async def film(
    page: Page, send: Callable[[], object], seconds: float, every: int = 1
) -> AsyncIterator[tuple[float, Pixels]]:
    """A picture after *every* so many frames of 60 in a second, with its time in seconds.

    *send* has the server send a message before each frame.
    """
    for number in range(1, int(seconds / FRAME) + 1):
        await page.take(send)
        if number % every == 0:
            yield number * FRAME, await photo(page)


async def photo(page: Page) -> Pixels:
    """The page as it is."""
    shot = await page.call("Page.captureScreenshot", format="png", optimizeForSpeed=True)
    return pixels(base64.b64decode(shot["data"]))


def pixels(picture: bytes) -> Pixels:
    """A picture file as height × width × 3."""
    with Image.open(io.BytesIO(picture)) as opened:
        return np.asarray(opened.convert("RGB"))
