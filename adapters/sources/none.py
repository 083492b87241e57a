"""Source ``none``: what a bridge file has whose memory comes from elsewhere, as out of a pack."""

from __future__ import annotations

from collections.abc import Sequence
from typing import ClassVar, NoReturn

from bridge.memory.address_map import MemoryMap, Span
from bridge.ports.source import Opened, Source
from schemas.errors import SourceUnusable
from schemas.source_settings import NoSource

__all__ = ["MissingSource"]


class MissingSource(Source):
    """Never opens, and says what to do."""

    kind: ClassVar[str] = "none"

    def __init__(self, settings: NoSource) -> None:
        super().__init__()

    async def _open(self, guest: MemoryMap) -> Opened:
        self._refuse()

    async def _close(self) -> None:
        pass

    async def _fetch(self, spans: Sequence[Span]) -> list[bytes | None]:
        self._refuse()

    def _refuse(self) -> NoReturn:
        raise SourceUnusable(
            "the set-up has no memory of its own: give --source with a file whose [source] says "
            "where yours comes from, or write that into the bridge file; --dump reads a file",
            source=self.name,
        )
