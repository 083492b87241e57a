"""The heap for the pages that show it: walked while one of them is open, and not otherwise."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass

from bridge.heap.blocks import Heap
from bridge.questions.heap_followed import HeapFollowed
from bridge.questions.question import Question
from bridge.readings.frame import Frame

__all__ = ["HeapAsked", "SeenHeap"]


@dataclass(frozen=True, slots=True)
class SeenHeap:
    """A heap, and the number and the build of the frame that it is of."""

    heap: Heap
    frame: int
    build: str


class HeapAsked:
    """Has the heap followed for as long as any page holds it.

    *followed* is None where there is no heap to ask for.  *came* is called with each answer.
    """

    def __init__(self, followed: HeapFollowed[Question] | None, came: Callable[[], None]) -> None:
        self._followed = followed
        self._came = came
        self._holders = 0
        self._question: Question | None = None
        self._following: asyncio.Task[None] | None = None

    @contextlib.contextmanager
    def held(self) -> Iterator[None]:
        """Walk the heap until the end of the block."""
        self.hold()
        try:
            yield
        finally:
            self.release()

    def hold(self) -> None:
        self._holders += 1
        if self._followed is None:
            return
        if self._holders == 1:
            self._followed.hold()
        if self._question is None and (question := self._followed.question) is not None:
            self._question = question
            self._following = asyncio.create_task(self._follow(question))

    def release(self) -> None:
        self._holders -= 1
        if self._holders or self._followed is None:
            return
        self._followed.release()
        self._question = None
        if self._following is not None:
            self._following.cancel()
            self._following = None

    def of(self, frame: Frame | None) -> SeenHeap | None:
        """The heap of that frame, or the newest that there is."""
        if frame is not None and frame.heap is not None:
            return SeenHeap(frame.heap, frame.number, frame.build)
        answer = self._question.answer if self._question is not None else None
        if answer is None or answer.heap is None:
            return None
        return SeenHeap(answer.heap, answer.frame, answer.build)

    async def waited(self, newest: Callable[[], Frame | None], patience: float) -> SeenHeap | None:
        """The same, once there is one; None where none comes in *patience* seconds."""
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(patience):
                while (seen := self.of(newest())) is None and self._question is not None:
                    await self._question.newer(self._question.serial, patience)
                return seen
        return None

    async def _follow(self, question: Question) -> None:
        serial = 0
        while not question.closed:
            await question.newer(serial, 3600.0)
            serial = question.serial
            self._came()
