"""The frames that somebody asks for, of a source that gives none by itself."""

from __future__ import annotations

import asyncio

__all__ = ["Steps"]


class Steps:
    """Frames that were asked for and have not been given yet.  For the event loop's thread."""

    def __init__(self) -> None:
        self._asked = 0
        self._ended = False
        self._news = asyncio.Event()

    def ask(self, frames: int = 1) -> None:
        """So many frames more are wanted."""
        self._asked += frames
        self._news.set()

    def end(self) -> None:
        """Nobody asks for more."""
        self._ended = True
        self._news.set()

    async def take(self) -> bool:
        """Wait until a frame is asked for, and give it; false where none ever will be."""
        while not self._asked:
            if self._ended:
                return False
            self._news.clear()
            await self._news.wait()
        self._asked -= 1
        return True
