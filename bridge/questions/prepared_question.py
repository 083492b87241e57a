"""A question made ready for one build: its derivation, and what evaluates it."""

from __future__ import annotations

import ast
from collections.abc import Mapping
from typing import Any

from bridge.evaluation.budget import CLOCK_EVERY, SHARE, Budget, OverBudget, no_time
from bridge.evaluation.evaluator import Evaluator
from bridge.evaluation.frame_readings import frame_readings
from bridge.expressions.nodes import FlagRead, Read, Stored
from bridge.expressions.program import Program
from bridge.expressions.syntax import parse
from bridge.memory.address_map import MemoryMap
from bridge.memory.image import Image
from bridge.paths.derivation import RESULT, DerivationStep, explain
from bridge.ports.clock import Clock
from bridge.ports.source import Opened
from bridge.prepared import PreparedBuild, with_heap
from bridge.questions.byte_rows import ByteRows, Stretch, strip_around
from bridge.questions.question import Answer
from bridge.readings.reading import Reading
from schemas.compiler import BuildLayout
from schemas.errors import ExpressionError
from schemas.layout import name_of

__all__ = [
    "LONGEST",
    "MAX_READS",
    "MAX_STEPS",
    "MAX_TEXT_LENGTH",
    "PreparedQuestion",
    "QuestionBudget",
]

MAX_STEPS = 50_000
"""Steps of lists in all that is evaluated of one question: watches may take more, each."""
MAX_READS = 250
"""Reads in the derivation of a question, for which code is made while the game runs."""
MAX_TEXT_LENGTH = 2500
"""Characters of a question and of the watches that it uses, for the same reason."""
LONGEST = 0.02
"""Seconds of the processor's time that the lists of one question may take."""


class PreparedQuestion:
    """One question on one build.

    ``prepared`` is the build's own.  Functions over frames begin now; the result of a question that
    is a watch's name is that watch's own reading, so that both always say the same.  ``answered``
    is whether an answer has been given, and ``waits`` whether one that only says that it waits has.

    With *all_heaps* it is asked for the heaps, whichever the schema describes, and *text* for the
    only one.

    Raises ExpressionError where the text cannot be understood on this build.
    """

    def __init__(
        self,
        text: str,
        watches: Mapping[str, str] | None,
        prepared: PreparedBuild,
        opened: Opened,
        main: Evaluator,
        clock: Clock,
        *,
        all_heaps: bool = False,
    ) -> None:
        own = {watch.name: watch.expression for watch in prepared.watches}
        known = own if watches is None else watches
        self.prepared = prepared
        if all_heaps and len(prepared.program.heaps) > 1:
            self.explained, steps = _explained(prepared, {}, "0")
            self.explained = with_heap(self.explained)
        else:
            self.explained, steps = _explained(prepared, known, text)
        self.steps: tuple[DerivationStep, ...] = tuple(steps)
        self.evaluator = _Bounded(self.explained.program, prepared.layout, opened.memory, clock)
        self.evaluator.guest = opened.guest
        self.evaluator.absent_status = opened.absent_status
        self.evaluator.absent_words = opened.absent_words
        self.evaluator.copy_pointer_history(main)
        self._costs = 0.0, 0.0
        self.answered = self.waits = False
        self._watch = next((w for w in prepared.watches if w.name == text and known is own), None)
        self._strip_of = self._find_strip()

    @property
    def cost(self) -> float:
        """Seconds that it takes for sure: the lesser of the last two evaluations."""
        return min(self._costs)

    def evaluate(
        self, image: Image, frame: int, *, again: bool, share_heap_with: Evaluator | None
    ) -> set[int]:
        """The numbers of the lines that are missing; *again* once they have come."""
        missing = self.evaluator.evaluate(
            image, frame, again=again, share_heap_with=share_heap_with
        )
        last = self._costs[0 if again else 1]
        self._costs = last, self.evaluator.cost
        return missing

    def answer(self, main: Evaluator, image: Image, frame: int, moment: float, note: str) -> Answer:
        """What the last evaluation gave; *main* has evaluated the watches on the same image."""
        watches, slots = self.explained.watches, self.explained.program.watches
        make = frame_readings(self.evaluator, watches, slots)
        if self._watch is not None:
            result = frame_readings(main, [self._watch], self.prepared.program.watches)
            steps, watch = make, watches[-1]

            def make() -> list[Reading]:
                (reading,) = result()
                reading.watch = watch
                return [*steps()[:-1], reading]

        build, strip = self.prepared.layout.name, self._strip(image)
        heap = self.evaluator.heap_seen
        return Answer(frame, build, moment, None, note, self.steps, make, strip, heap)

    def _find_strip(self) -> tuple[int, int, int | None, int, str]:
        """Slot and size of the value to show, slot and size of its part, and the value's type."""
        program = self.explained.program
        reads = [n for n, step in enumerate(self.steps) if step.kind in ("value", "part")]
        if not reads:
            slot = program.watches[RESULT]
            kind = program.slots[slot].type
            return slot, max(1, kind.bits // 8), None, 0, kind.name
        last = reads[-1]
        # the value that a part is of is the step before it
        value = last - 1 if self.steps[last].kind == "part" else last
        slot, part = program.watches[f"step{value}"], program.watches[f"step{last}"]
        number, piece = program.slots[slot].number, program.slots[part].number
        assert isinstance(number, Read | Stored | FlagRead)
        if value == last:
            return slot, number.leaf.size, None, 0, name_of(number.leaf)
        assert isinstance(piece, Stored)
        return slot, number.leaf.size, part, piece.size, name_of(number.leaf)

    def _strip(self, image: Image) -> ByteRows | None:
        slot, size, part_slot, part_size, kind = self._strip_of
        addresses = self.evaluator.addresses
        address = addresses[slot]
        if address is None:
            return None
        part: Stretch | None = None
        if part_slot is not None:
            at = addresses[part_slot]
            part = None if at is None else Stretch(at, part_size)
        big = self.prepared.layout.order == ">"
        return strip_around(image, Stretch(address, size), part, big_endian=big, type=kind)


class QuestionBudget(Budget):
    """A question gives up early, with all that it is made of, so that a silly one delays nobody."""

    most_steps = MAX_STEPS

    def __init__(self, clock: Clock) -> None:
        super().__init__(clock.processor_time)
        self._seconds = clock.now
        self._start = self._clocks()
        self.last = 0.0
        """Seconds that the last evaluation took."""

    def begin(self) -> None:
        self._start = self._clocks()
        self._began, self._running = self._start[1], True
        self._steps, self._look_at = 0, CLOCK_EVERY
        self._share = SHARE * self.left(self._began)

    def end(self) -> None:
        self._running = False
        self.last = self.taken()
        self.work.spent += self.last

    def start(self) -> None:
        """The steps of all slots are counted together."""
        self._look()

    def _look(self) -> None:
        if self._steps > self.most_steps:
            raise OverBudget(f"{self.steps_words()}, the most for a question")
        taken = self.taken()
        if taken > LONGEST:
            raise OverBudget(
                f"its lists take more than {LONGEST * 1000:g} ms, the most for a question"
            )
        if taken > self._share:
            raise OverBudget(no_time())
        self._look_at = min(self._steps + CLOCK_EVERY, self.most_steps + 1)

    def _longest(self) -> float:
        return LONGEST

    def taken(self) -> float:
        """Seconds since the evaluation began, without those in which others had the processor."""
        return min(now - began for now, began in zip(self._clocks(), self._start, strict=True))

    def _clocks(self) -> tuple[float, float]:
        # the thread's own clock is coarse on some systems, the other one goes on while others run
        return self._seconds(), self.clock()


class _Bounded(Evaluator):
    """An evaluator with a question's budget.  ``cost`` is in seconds."""

    cost = 0.0

    def __init__(
        self, program: Program, layout: BuildLayout, memory: MemoryMap, clock: Clock
    ) -> None:
        self._own_budget = QuestionBudget(clock)
        super().__init__(program, layout, memory, whole=False, budget=self._own_budget)

    def evaluate(
        self,
        image: Image,
        frame: int,
        *,
        again: bool = False,
        share_heap_with: Evaluator | None = None,
    ) -> set[int]:
        missing = super().evaluate(image, frame, again=again, share_heap_with=share_heap_with)
        self.cost = self._own_budget.last + (self.cost if again else 0.0)
        return missing


def _explained(
    prepared: PreparedBuild, watches: Mapping[str, str], text: str
) -> tuple[PreparedBuild, list[Any]]:
    """The explanation with none of the watches but those that the text uses."""
    try:
        used = _used(watches, text)
    except ExpressionError:
        return explain(prepared, watches, text, MAX_READS)  # its advice knows all names
    count = len(text) + sum(map(len, used.values()))
    if count > MAX_TEXT_LENGTH:
        raise ExpressionError(
            f"has {count} characters with the watches that it uses, "
            f"the most for a question is {MAX_TEXT_LENGTH}",
            expression=text,
        )
    try:
        return explain(prepared, used, text, MAX_READS)
    except ExpressionError:
        return explain(prepared, watches, text, MAX_READS)


def _used(watches: Mapping[str, str], text: str) -> dict[str, str]:
    """The watches that a text names, and those that these name.  Raises ExpressionError."""
    found: dict[str, str] = {}
    pending = [text]
    while pending:
        tree = parse(pending.pop())
        names = {node.id for node in ast.walk(tree) if isinstance(node, ast.Name)}
        for name in sorted(names & watches.keys() - found.keys()):
            found[name] = watches[name]
            pending.append(watches[name])
    return found
