"""Source ``typed``: a person reads the console's memory off its screen and types it.

What nobody has typed is not there: a watch that needs it waits, and its reason says where to look.
Each answer makes a frame.  Frames have no number of the game's, since nobody can type its counter
in time, and nothing vouches that all of a moment's bytes are of one frame: only the person does.
"""

from __future__ import annotations

import asyncio
from collections.abc import Mapping, Sequence
from typing import Any, ClassVar

from adapters.json_forms.by_hand import by_hand_json
from adapters.sources.surroundings import SourceSurroundings
from bridge.asking.asking import Asking
from bridge.memory.address_map import MemoryMap, Span
from bridge.memory.byte_order import ByteOrder
from bridge.memory.fetched import Part
from bridge.ports.asked_by_hand import AskedByHand, Said
from bridge.ports.controls import Controls
from bridge.ports.source import Cadence, Consistency, Opened, Source
from bridge.prepared import PreparedBuild
from bridge.values.status import Status
from schemas.errors import SourceLost
from schemas.source_settings import TypedSource

__all__ = ["TypedMemory"]


class TypedMemory(Source, AskedByHand):
    """Memory that a person types, of the build that runs among *prepared_builds*.

    It asks for what the watches, the steps and the attempts need next; *controls* get it, for pages
    to ask and to answer.
    """

    kind: ClassVar[str] = "typed"

    def __init__(
        self,
        settings: TypedSource,
        prepared_builds: Mapping[str, PreparedBuild],
        controls: Controls | None = None,
    ) -> None:
        super().__init__()
        self.settings = settings
        self.asking: Asking | None = None
        self._prepared = prepared_builds
        self._last = Said("", "")
        self._told = False
        self._is_open = False
        self._changed = asyncio.Event()
        if controls is not None:
            controls.asked_by_hand = self

    @classmethod
    def from_bridge(cls, settings: TypedSource, around: SourceSurroundings) -> TypedMemory:
        """The source of a bridge file's table."""
        return cls(settings, around.prepared_builds, around.controls)

    @property
    def cadence(self) -> Cadence:
        return Cadence.ANNOUNCED

    @property
    def counts_frames(self) -> bool:
        return False

    @property
    def consistency(self) -> Consistency:
        return Consistency.UNGUARDED

    @property
    def declared_order(self) -> ByteOrder | None:
        # a console shows its memory in its own order
        return ByteOrder.BIG

    async def _open(self, guest: MemoryMap) -> Opened:
        if self.asking is None or self.asking.memory.regions != guest.regions:
            self.asking = Asking(self._prepared, guest)
        self.asking.told = self._news
        self._told = self._is_open = True
        return Opened(guest, guest, Status.WAITING, "has not been typed yet (see /by-hand)")

    async def _close(self) -> None:
        # what was typed stays: who closes it may open it again
        self._told = self._is_open = False
        self._changed.set()

    async def _wait(self) -> int | None:
        while not self._told:
            self._opened()
            self._changed.clear()
            await self._changed.wait()
        self._told = False
        return None

    async def _fetch(self, spans: Sequence[Span]) -> list[Part]:
        return self._opened().parts(spans)

    def _opened(self) -> Asking:
        if self.asking is None or not self._is_open:
            raise SourceLost("is closed", source=self.name)
        return self.asking

    def _news(self) -> None:
        self._told = True
        self._changed.set()

    # what the pages ask

    @property
    def told(self) -> Mapping[str, Any]:
        asking = self._opened()
        return by_hand_json(asking, self._last.outcome, self._last.words)

    def say(self, what: str, text: str = "") -> Said:
        outcome, words = self._opened().say(what, text)
        self._last = Said(str(outcome), words)
        return self._last
