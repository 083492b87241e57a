"""The heap of each frame for those who look on, and what became of its blocks.

It is read, and events are told of it, only while somebody holds this: where no watch asks for the
heap one question does, as pages ask theirs, so that the watches never wait for it.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator
from typing import Generic, Protocol, TypeVar

from bridge.heap.blocks import Heap
from bridge.heap.told_events import EventTeller, ToldEvents
from schemas.errors import TooManyQuestions

__all__ = ["ALLOWANCE", "HEAP", "HeapAnswer", "HeapFollowed", "HeapQuestion"]

HEAP = "len(blocks())"
ALLOWANCE = 5
"""The walk may take so many times as long as other questions before it rests, since events within
a rest are lost: enough for some 4,000 blocks, as many as pages show."""


class HeapAnswer(Protocol):
    """What is looked at of an answer; ``of`` is its frame's number and its time."""

    @property
    def of(self) -> tuple[int, float]: ...

    @property
    def note(self) -> str: ...

    @property
    def heap(self) -> Heap | None: ...


class HeapQuestion(Protocol):
    """What is used of a question."""

    allowance: int
    all_heaps: bool

    @property
    def answer(self) -> HeapAnswer | None:
        """The newest, None while there is none."""

    def close(self) -> None:
        """Ask no more."""


Q = TypeVar("Q", bound=HeapQuestion)


class HeapFollowed(Generic[Q]):
    """Held by each who wants to know of the heap; ``question`` is open while anybody does.

    *ask* opens one.  ``told`` is what is told of the heap, None while nobody has asked yet.
    """

    def __init__(self, ask: Callable[[str], Q]) -> None:
        self._ask = ask
        self._holders = 0
        self._teller = EventTeller()
        self._begun = False
        self.question: Q | None = None

    @property
    def told(self) -> ToldEvents | None:
        return self._teller.told if self._begun else None

    @contextlib.contextmanager
    def held(self) -> Iterator[None]:
        """Follow the heap until the end of the block."""
        self.hold()
        try:
            yield
        finally:
            self.release()

    def hold(self) -> None:
        self._holders += 1
        self._begun = True
        if self.question is None:
            with contextlib.suppress(TooManyQuestions):
                self.question = self._ask(HEAP)
                self.question.allowance = ALLOWANCE
                self.question.all_heaps = True

    def release(self) -> None:
        self._holders -= 1
        if self._holders:
            return
        self._teller.forget("nobody looked")
        if self.question is not None:
            self.question.close()
            self.question = None

    def forget(self, why: str) -> None:
        """What comes next does not follow from what was."""
        self._teller.forget(why)

    def take(
        self, number: int, moment: float, heap: Heap | None, *, numbered: bool, unclear: bool
    ) -> ToldEvents | None:
        """A frame was taken and questions are answered; *heap* is there where a watch asked.

        *moment* is what the answers were given with; for the rest see ``EventTeller.take``.
        """
        if not self._holders:
            return self.told
        if heap is None and self.question is not None:
            answer = self.question.answer
            if answer is not None and answer.of == (number, moment) and not answer.note:
                heap = answer.heap
        self._teller.take(number, heap, numbered=numbered, unclear=unclear)
        return self.told
