"""The output ``json``: one JSON object a frame, one frame a line, on a text stream."""

from __future__ import annotations

import asyncio
import contextlib
import json
from collections.abc import Sequence
from functools import partial
from typing import Any, ClassVar, TextIO

from adapters.json_forms.heap_events import event_json
from adapters.outputs.stream_thread import StreamThread
from adapters.outputs.surroundings import OutputSurroundings
from bridge.heap.told_events import ToldEvents
from bridge.ports.output import Output
from bridge.questions.heap_followed import HeapFollowed
from bridge.questions.question import Question
from bridge.readings.frame import Frame
from bridge.readings.reading import Watch
from schemas.errors import StreamFailed
from schemas.output_settings import JsonOutput

__all__ = ["JsonLines"]


class JsonLines(Output):
    """Writes ``Frame.as_json()`` in ASCII, each on a line that ends with a line feed.

    While a line is being written the newest frame waits, alone: a reader that is slow gets fewer
    frames, each of them whole, and ``skipped`` says how many it missed.  A source that can wait
    waits for such a reader.  Where heap events are asked for, a line has all of them since the line
    before, as far as they are still told.
    """

    kind: ClassVar[str] = "json"

    def __init__(
        self,
        settings: JsonOutput,
        stream: TextIO,
        heap: HeapFollowed[Question] | None = None,
    ) -> None:
        super().__init__()
        self._thread = StreamThread(stream, "lowhalf-json")
        self._heap = heap if settings.heap_events else None
        self._told = 0
        self._next: Frame | None = None
        self._news = asyncio.Event()
        self._written = asyncio.Event()
        self._written.set()
        self._over = False

    @classmethod
    def from_bridge(cls, settings: JsonOutput, around: OutputSurroundings) -> JsonLines:
        """The output of a bridge file's table."""
        return cls(settings, around.stream, around.questions.heap)

    def announce(self, watches: Sequence[Watch]) -> None:
        """Nothing: every line names its watches."""

    def publish(self, frame: Frame) -> None:
        if self._next is not None:
            self.skipped += 1
        self._next = frame
        self._news.set()
        if not self._over:
            self._written.clear()

    async def settled(self) -> None:
        await self._written.wait()

    async def run(self) -> None:
        """Write until cancelled; a line that is begun is finished, if the reader takes it.

        Raises StreamFailed when the reader has closed its end or the stream fails.
        """
        with contextlib.nullcontext() if self._heap is None else self._heap.held():
            await self._run()

    async def _run(self) -> None:
        try:
            while True:
                await self._news.wait()
                self._news.clear()
                frame, self._next = self._next, None
                if frame is not None:
                    _ = frame.readings  # evaluated here: the image belongs to this thread
                    events = {} if self._heap is None else self._events(frame.heap_events)
                    await self._write(frame, events)
                if self._next is None:
                    self._written.set()
        finally:
            self._over = True
            self._written.set()
            await self._thread.end(_nothing, 0.5)

    def _events(self, told: ToldEvents | None) -> dict[str, Any]:
        """What a line says of the events since the last one."""
        if told is None:
            return {"events": [], "events_left_out": 0}
        events = [event_json(event) for _, event in told.newer_than(self._told)]
        left_out, self._told = told.count - self._told - len(events), told.count
        return {"events": events, "events_left_out": left_out}

    async def _write(self, frame: Frame, events: dict[str, Any]) -> None:
        try:
            await self._thread.do(partial(self._write_line, frame, events))
        except (OSError, ValueError) as fault:
            raise StreamFailed(fault, output=self.kind) from fault

    def _write_line(self, frame: Frame, events: dict[str, Any]) -> None:
        line = {**frame.as_json(), **events}
        self._thread.write(json.dumps(line, allow_nan=False, separators=(",", ":")) + "\n")


def _nothing() -> None:
    """The last job: when it runs, the line before it is whole."""
