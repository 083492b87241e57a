"""Dialogue with a person who reads a console's memory off its screen, without input and output.

What was typed is a log of answers; all else follows from it: the bytes that are known, the build
that they tell, what the watches give of them, and the next question.  So any step can be undone.

An answer is bytes at addresses in one *moment* of the game.  When the game has gone on the person
says how far: a *frame* leaves pointers where they are, a *room* leaves nothing but what the build
itself keeps, the recognise bytes.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

from bridge.asking.aims import Aim, aims_of
from bridge.asking.doubts import doubt
from bridge.asking.engine import Engine
from bridge.asking.entry import WrongAnswer, entered, taken_words
from bridge.asking.looking import Seen, part_of_known
from bridge.asking.next_question import Pending, next_question
from bridge.asking.question import Answered, Question
from bridge.asking.reached import LEFT_OUT, Reached, reached_of
from bridge.asking.recognising import recognised, recognising_question
from bridge.memory.address_map import MemoryMap, Span
from bridge.memory.fetched import Part
from bridge.prepared import PreparedBuild
from schemas.layout import PointerTo
from schemas.toml_file import nearest

__all__ = ["MAX_READS", "Asking", "Change", "Doubted", "Outcome"]

MAX_READS = 24
"""Answers for one watch alone, after which it is given up: a list or a heap is too long to type."""


class Outcome(StrEnum):
    """What became of something that the person asked for or answered."""

    TAKEN = "taken"
    DOUBTED = "doubted"
    REFUSED = "refused"


class Change(StrEnum):
    """How far the game has gone on."""

    FRAME = "frame"
    ROOM = "room"


@dataclass(frozen=True, slots=True)
class Doubted:
    """An answer that cannot be, as far as is known, and waits for the person's word."""

    question: Question
    data: bytes
    words: str
    why: str


@dataclass(frozen=True, slots=True)
class _State:
    log: tuple[Answered, ...] = ()
    moment: int = 1
    number: int = 1
    skipped: frozenset[str] = frozenset()


class Asking:
    """Asks for the bytes that the watches of one of *prepared_builds* need.

    *only* are the watches that are wanted, else all, with steps and attempts; with *addresses* it
    is enough to know where each stands.  ``question`` is the one at hand, None where nothing is
    lacking.  ``revision`` goes up with each change; *told* is called then.
    """

    def __init__(
        self,
        prepared_builds: Mapping[str, PreparedBuild],
        memory: MemoryMap,
        only: Collection[str] = (),
        *,
        addresses: bool = False,
    ) -> None:
        self.addresses = addresses
        self.memory = memory
        self.question: Question | None = None
        self.doubted: Doubted | None = None
        self.build = ""
        self.stuck = ""
        """Why the build cannot be told, where that is so."""
        self.reached: tuple[Reached, ...] = ()
        self.revision = 0
        self.told: Callable[[], None] = lambda: None
        self._prepared = prepared_builds
        self._only = frozenset(only)
        self._engines: dict[str, Engine] = {}
        self._state = _State()
        self._before: list[_State] = []
        self._known: dict[int, int] = {}
        self._seen: Seen | None = None
        self._find()

    @property
    def log(self) -> Sequence[Answered]:
        """The answers that stand, in the order in which they were typed."""
        return self._state.log

    @property
    def moment(self) -> int:
        """In which moment of the game the person is, from 1."""
        return self._state.moment

    @property
    def can_undo(self) -> bool:
        return bool(self._before) or self.doubted is not None

    def parts(self, spans: Sequence[Span]) -> list[Part]:
        """The bytes of spans that are known; None for a span of which none is."""
        return [part_of_known(self._known, span) for span in spans]

    # what the person says

    def answer(self, text: str) -> tuple[Outcome, str]:
        """What stands where the question looks; words on what became of it."""
        question = self.question
        if question is None:
            return Outcome.REFUSED, self.stuck or "nothing is asked: all is known"
        try:
            data = entered(text, question, self.order)
        except WrongAnswer as fault:
            return Outcome.REFUSED, str(fault)
        words = taken_words(question, data)
        why = self._doubt(question, data)
        if why and question.is_constant:
            return Outcome.REFUSED, why
        if why:
            self.doubted = Doubted(question, data, words, why)
            self._change()
            return Outcome.DOUBTED, why
        return self._take(question, data, words, confirmed=False)

    def confirm(self) -> tuple[Outcome, str]:
        """What was doubted really stands there."""
        doubted = self.doubted
        if doubted is None:
            return Outcome.REFUSED, "nothing is doubted"
        return self._take(doubted.question, doubted.data, doubted.words, confirmed=True)

    def correct(self) -> tuple[Outcome, str]:
        """What was doubted does not stand there: the question stays."""
        if self.doubted is None:
            return Outcome.REFUSED, "nothing is doubted"
        self.doubted = None
        self._change()
        return Outcome.TAKEN, "not taken"

    def undo(self) -> tuple[Outcome, str]:
        """Back to before the last answer or change; again and again, to the start."""
        if self.doubted is not None:
            return self.correct()
        if not self._before:
            return Outcome.REFUSED, "nothing to undo: this is the start"
        gone, self._state = self._state, self._before.pop()
        words = "undone"
        if len(gone.log) > len(self._state.log):
            last = gone.log[-1]
            words = f"undone: {last.words} at 0x{last.question.address:08X}"
        self._find()
        return Outcome.TAKEN, words

    def again(self, what: str = "") -> tuple[Outcome, str]:
        """Ask again: for a question by its number, for what stands at a place by its text, for all
        on the way of a watch by its name; without a word for what was answered last."""
        state = self._state
        if not what:
            chosen = list(state.log[-1:])
        elif what.isascii() and what.isdigit():
            chosen = [each for each in state.log if each.question.number == int(what)]
        else:
            chosen = self._on_the_way(what)
        names = {aim.name for aim in self._aims} | {aim.title for aim in self._aims}
        skipped = {name for name in state.skipped if name != what}
        if not chosen and skipped == state.skipped:
            if what in names:
                return Outcome.REFUSED, f"nothing was typed for {what}"
            places = [each.place for told in state.log for each in told.question.fields]
            hint = nearest(what, sorted({*names, *places})) if what else ""
            return Outcome.REFUSED, f"nothing was typed for {what or 'any question'}{hint}"
        kept = tuple(each for each in state.log if each not in chosen)
        self._go(replace(state, log=kept, skipped=frozenset(skipped)))
        return Outcome.TAKEN, _asked_again(len(chosen), len(kept))

    def changed(self, how: Change) -> tuple[Outcome, str]:
        """The game has gone on: what may have changed is asked again, the rest kept."""
        state = self._state
        kept = tuple(
            each
            for each in state.log
            if each.question.is_constant or (how is Change.FRAME and each.question.is_pointer)
        )
        self._go(replace(state, log=kept, moment=state.moment + 1))
        return Outcome.TAKEN, _asked_again(len(state.log) - len(kept), len(kept))

    def skip(self, name: str = "") -> tuple[Outcome, str]:
        """Leave out a watch, or all that the question is needed by."""
        asked = {self.question.needed_by} if self.question is not None and not name else set()
        titles = {title for needed in asked for title in needed}
        if name:
            titles = {aim.title for aim in self._aims if name in (aim.name, aim.title)}
        if not titles or (self.question is not None and self.question.is_constant):
            known = [aim.name for aim in self._aims]
            return Outcome.REFUSED, f"no watch to leave out{nearest(name, known) if name else ''}"
        self._go(replace(self._state, skipped=self._state.skipped | titles))
        return Outcome.TAKEN, f"left out: {', '.join(sorted(titles))}"

    def say(self, what: str, text: str = "") -> tuple[Outcome, str]:
        """One of ``SAID`` by its name, with its text where it takes one."""
        if what == "changed":
            if text not in list(Change):
                return Outcome.REFUSED, f'expected {" or ".join(Change)}, found "{text}"'
            return self.changed(Change(text))
        does: dict[str, Callable[[], tuple[Outcome, str]]] = {
            "answer": lambda: self.answer(text),
            "again": lambda: self.again(text),
            "skip": lambda: self.skip(text),
            "confirm": self.confirm,
            "correct": self.correct,
            "undo": self.undo,
        }
        return does[what]()

    # what follows from it

    @property
    def order(self) -> str:
        """The guest's byte order as ``struct`` has it, ``>`` or ``<``."""
        return next(iter(self._prepared.values())).layout.order

    @property
    def _aims(self) -> Sequence[Aim]:
        engine = self._engine
        return () if engine is None else engine.aims

    @property
    def _engine(self) -> Engine | None:
        if not self.build:
            return None
        engine = self._engines.get(self.build)
        if engine is None:
            aims = aims_of(self._prepared[self.build], self._only, addresses=self.addresses)
            engine = Engine(aims, self.memory)
            self._engines[self.build] = engine
        return engine

    def _take(
        self, question: Question, data: bytes, words: str, *, confirmed: bool
    ) -> tuple[Outcome, str]:
        state = self._state
        told = Answered(question, data, state.moment, words, confirmed)
        self._go(replace(state, log=(*state.log, told), number=state.number + 1))
        return Outcome.TAKEN, f"taken as {words}"

    def _go(self, state: _State) -> None:
        self._before.append(self._state)
        self._state = state
        self._find()

    def _find(self) -> None:
        """The build, the readings and the next question, of what is known."""
        self.doubted = None
        self._known = _bytes(self._state.log)
        self.question, self.build, self.stuck = None, "", ""
        self._seen = None
        self.reached = ()
        layouts = [prepared.layout for prepared in self._prepared.values()]
        possible = recognised(layouts, self._known, self.memory)
        if len(layouts) > 1:
            number = self._state.number
            self.question = recognising_question(number, possible, self._known, self.memory)
        if self.question is None and len(possible) == 1:
            self.build = possible[0].name
            self._look()
        elif self.question is None:
            names = " or ".join(layout.name for layout in layouts)
            self.stuck = f"the build cannot be told by its recognise bytes: name {names}"
        self._change()

    def _look(self) -> None:
        engine = self._engine
        assert engine is not None
        seen = self._seen = engine.looking.look(self._known)
        held = self._held()
        pending = []
        for aim in engine.aims:
            lacking = seen.lacking(aim)
            if lacking is not None and not self._left_out(aim):
                pending.append(Pending(aim, lacking))
        self.question = next_question(
            self._state.number, pending, self._known, held, engine.whole, self.memory
        )
        self._tell_the_limit()
        told = [
            reached_of(aim, seen, held, self.memory, self._left_out(aim)) for aim in engine.aims
        ]
        self.reached = tuple(sorted(told, key=lambda each: engine.order[each.aim.name]))

    def _tell_the_limit(self) -> None:
        """Say how far one is along a list or a heap that may turn out too long."""
        question = self.question
        if question is None:
            return
        long = [aim for aim in self._aims if aim.is_long and aim.title in question.needed_by]
        if long and len({aim.title for aim in long}) == len(question.needed_by):
            count = max(self._answers_for(aim) for aim in long)
            hint = f"answer {count + 1} of at most {MAX_READS} along a list or a heap"
            self.question = replace(question, hint=hint)

    def _answers_for(self, aim: Aim) -> int:
        return sum(aim.title in told.question.needed_by for told in self._state.log)

    def _held(self) -> dict[str, int]:
        """The values of the pointers that were typed, by their texts."""
        held = {}
        for told in self._state.log:
            for each in told.question.fields:
                leaf = each.whole
                if isinstance(leaf, PointerTo):
                    start = each.address - told.question.address
                    data = told.data[start : start + each.size]
                    held[each.place] = leaf.packing.unpack(data)[0]
        return held

    def _left_out(self, aim: Aim) -> str:
        """Why nothing is asked for an aim any more; empty where it is."""
        if aim.title in self._state.skipped:
            return LEFT_OUT
        if aim.is_long and self._answers_for(aim) >= MAX_READS:
            return f"needs more than {MAX_READS} answers: a list or a heap is too long to type"
        return ""

    def _doubt(self, question: Question, data: bytes) -> str:
        """Why an answer cannot be, as far as is known."""
        known = {**self._known, **_bytes([Answered(question, data, 0, "")])}
        if question.is_constant:
            layouts = [prepared.layout for prepared in self._prepared.values()]
            if recognised(layouts, known, self.memory):
                return ""
            return f"no build has {data.hex(' ').upper()} there: {question.hint}"
        engine, seen = self._engine, self._seen
        assert engine is not None
        assert seen is not None
        if why := doubt(question, data, engine.layout, self.memory):
            return why
        return engine.odd(seen, engine.looking.look(known))

    def _on_the_way(self, what: str) -> list[Answered]:
        """The answers with a place's text, or that a watch's evaluation comes by."""
        state = self._state
        chosen = [
            told for told in state.log if what in [each.place for each in told.question.fields]
        ]
        engine = self._engine
        if chosen or engine is None:
            return chosen
        used: set[int] = set()
        for aim in engine.aims:
            if what in (aim.name, aim.title):
                used |= engine.way(aim, self._known)
        return [
            told
            for told in state.log
            if not used.isdisjoint(
                range(told.question.address, told.question.address + told.question.size)
            )
        ]

    def _change(self) -> None:
        self.revision += 1
        self.told()


def _bytes(log: Sequence[Answered]) -> dict[int, int]:
    return {
        told.question.address + offset: byte
        for told in log
        for offset, byte in enumerate(told.data)
    }


def _asked_again(again: int, kept: int) -> str:
    if not again:
        return "nothing has to be asked again"
    answers = "1 answer is" if again == 1 else f"{again} answers are"
    return f"{answers} asked again, {kept} kept"
