"""Questions that someone looking on asks of the running game, and their answers.

A question is a watch's name or any expression.  It is asked while the daemon runs, answered with
each frame that is taken, with the steps of its derivation (``bridge.paths.derivation``), and closed
again; nothing of it is kept.  It is told apart from a watch by what it may do: it has a smaller
budget, waits for its lines rather than make the watches wait, and has no say in whether a frame is
whole.

One :class:`Questions` lives as long as the daemon: it outlasts samplers, sources and builds.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property

from bridge.heap.blocks import Heap
from bridge.paths.derivation import DerivationStep, working
from bridge.ports.clock import Clock
from bridge.questions.byte_rows import ByteRows
from bridge.questions.heap_followed import HeapFollowed
from bridge.readings.reading import Reading
from schemas.errors import ExpressionError, TooManyQuestions

__all__ = ["Answer", "Question", "Questions"]


def _no_readings() -> Sequence[Reading]:
    return ()


@dataclass(frozen=True)
class Answer:
    """What a question gave in one frame.

    ``frame`` is the game's own number of the frame, 0 while there was none; ``build`` is the
    running build, "" while it is not known; ``time`` is seconds since the Unix epoch.  ``error`` is
    why the text cannot be understood on this build: then there are no steps.  ``note`` is a
    sentence about the whole answer, such as that it waits for the next frame or why the source is
    gone; else empty.  ``strip`` are the bytes around what the last step read, None where it read
    nothing; ``heap`` is the frame's heap where anything asked for it.  ``readings`` has one for
    each of ``steps``, and the last is the result; they are made when they are first asked for.
    """

    frame: int
    build: str
    time: float
    error: ExpressionError | None = None
    note: str = ""
    steps: tuple[DerivationStep, ...] = ()
    make_readings: Callable[[], Sequence[Reading]] = field(
        default=_no_readings, repr=False, compare=False
    )
    strip: ByteRows | None = None
    heap: Heap | None = field(default=None, repr=False, compare=False)

    @property
    def of(self) -> tuple[int, float]:
        """Its frame's number and its time."""
        return self.frame, self.time

    @cached_property
    def readings(self) -> tuple[Reading, ...]:
        return tuple(self.make_readings())

    @cached_property
    def working(self) -> tuple[tuple[DerivationStep, Reading], ...]:
        """The steps with their readings, and the elements of lists among them."""
        return tuple(working(self.steps, self.readings))


class Question:
    """One open question, made by :meth:`Questions.ask`.

    ``text`` is a watch's name or an expression; ``serial`` counts its answers, 0 while there is
    none; ``answer`` is the newest.  ``watches`` (name → expression) stand in for those of the
    bridge file where they are given.  Before it counts as slow it may take ``allowance`` times as
    long as others.  Where ``all_heaps`` is true before its first answer, that has them all.
    """

    def __init__(
        self,
        text: str,
        watches: Mapping[str, str] | None,
        leave: Callable[[Question], None],
        clock: Clock,
    ) -> None:
        self.text = text
        self.watches = watches
        self.serial = 0
        self.answer: Answer | None = None
        self.closed = False
        self.allowance = 1
        self.all_heaps = False
        self._leave = leave
        self._clock = clock
        self._changed = asyncio.Event()

    async def newer(self, serial: int, patience: float) -> None:
        """Return when there is a later answer than *serial*, or one at all after *patience* s.

        Returns as well when the question is closed.
        """
        while self.serial == serial and not self.closed:
            changed = self._changed
            try:
                async with self._clock.timeout(patience):
                    await changed.wait()
            except TimeoutError:
                if self.serial:
                    return

    def give(self, answer: Answer) -> None:
        """A newer answer; those who wait for one are woken.  A closed question takes none."""
        if self.closed:
            return
        self.answer = answer
        self.serial += 1
        self._wake()

    def close(self) -> None:
        """Ask no more; the last answer stays.  Harmless when it is closed already."""
        if self.closed:
            return
        self.closed = True
        self._leave(self)
        self._wake()

    def _wake(self) -> None:
        self._changed.set()
        self._changed = asyncio.Event()


class Questions:
    """All questions that are open; ``clock`` is the daemon's, ``heap`` what follows the heap."""

    MOST = 32
    """Questions that are open at a time."""

    def __init__(self, clock: Clock) -> None:
        self.open: list[Question] = []
        self.clock = clock
        self.heap: HeapFollowed[Question] = HeapFollowed(self.ask)
        self._note = ""
        self._asked = asyncio.Event()

    def ask(self, text: str, watches: Mapping[str, str] | None = None) -> Question:
        """Open a question.  Raises TooManyQuestions where MOST are open already.

        A text that is no expression is a question all the same, whose answer says so.
        """
        if len(self.open) >= self.MOST:
            raise TooManyQuestions(f"{self.MOST} questions are open already; close one first")
        question = Question(text, watches, self.open.remove, self.clock)
        self.open.append(question)
        if self._note:
            question.give(Answer(0, "", self.now(), note=self._note))
        self._asked.set()
        return question

    async def asked(self) -> None:
        """Return when a question was opened since this returned last."""
        await self._asked.wait()
        self._asked.clear()

    def note(self, reason: str) -> None:
        """There is no new frame, and why: all answers say so, until :meth:`is_present`."""
        self._note = reason
        for question in tuple(self.open):
            last = question.answer or Answer(0, "", self.now())
            if last.note != reason:
                question.give(replace(last, note=reason))

    def is_present(self) -> None:
        """There is a frame."""
        self._note = ""

    def now(self) -> float:
        """Seconds since the Unix epoch."""
        return self.clock.time_of_day()
