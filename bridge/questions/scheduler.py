"""Questions beside the watches, evaluated so that they never stand in the watches' way.

Questions are evaluated once the watches are, on the same image.  Those whose lines are there have
their answer.  The lines of the others come late: they are fetched in a few further batches, and
what came counts only where the frame still stands then; if not, the watches keep their frame, the
question has none, and its lines come with those of the next frame.

What a question costs is bounded three times: by the steps of its lists
(``bridge.questions.prepared_question``); by making ready one question a frame; and by letting one
that is slow all the same rest for many times as long as it took.  A function over frames in a slow
question sees only the frames with an answer.
"""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Iterator
from dataclasses import dataclass

from bridge.evaluation.evaluator import Evaluator
from bridge.memory.image import Image
from bridge.ports.clock import Clock
from bridge.ports.source import Opened
from bridge.prepared import PreparedBuild
from bridge.questions.prepared_question import PreparedQuestion
from bridge.questions.question import Answer, Question, Questions
from schemas.errors import ExpressionError

__all__ = ["MAX_BATCHES", "REST", "SLOW", "WAITS", "Late", "QuestionScheduler"]

Late = Callable[[set[int]], Awaitable[bool]]
"""Fetches lines that come late; false where the frame does not stand any more: then they are not
there."""

WAITS = "waits for the next frame"
MAX_BATCHES = 8
"""Batches of late lines in one frame."""
SLOW = 0.001
"""Seconds; a question that takes longer twice in a row, or several times as long where it has an
allowance, rests afterwards."""
REST = 20
"""A slow question rests for so many times as long as it took."""


@dataclass(frozen=True, slots=True)
class _Sample:
    """A sample of a frame in which the watches are whole."""

    prepared: PreparedBuild
    main: Evaluator
    image: Image
    late: Late


class QuestionScheduler:
    """The open questions, from one source after the other.

    Who takes frames calls :meth:`before_frame` while the next is waited for, :meth:`on_sample` once
    the watches are evaluated, and :meth:`after_frame` where the frame is taken; and
    :meth:`between_frames` where no frame comes.
    """

    def __init__(self, questions: Questions, clock: Clock) -> None:
        self._questions = questions
        self._clock = clock
        self._opened: Opened | None = None
        self._asked: dict[Question, PreparedQuestion | ExpressionError] = {}
        self._build: PreparedBuild | None = None
        self._before: dict[Question, PreparedQuestion | ExpressionError] = {}
        self._sample: _Sample | None = None
        self._complete: list[tuple[Question, PreparedQuestion]] = []
        self._waiting: list[tuple[Question, PreparedQuestion]] = []
        self._rest_until = 0.0

    def source_opened(self, opened: Opened) -> None:
        """Frames come from another source now, or from the same, opened anew."""
        self._opened = opened
        self._build = self._sample = None
        self._complete, self._waiting = [], []
        self._set_apart()

    def forget(self) -> None:
        """What comes next does not follow from what was: functions over frames begin anew."""
        self._sample = None
        for asked in (*self._asked.values(), *self._before.values()):
            if isinstance(asked, PreparedQuestion):
                asked.evaluator.clear()

    def no_frame(self, reason: str) -> None:
        """Why there is no frame."""
        self._questions.note(reason)

    # one frame

    def before_frame(self, prepared: PreparedBuild, main: Evaluator, number: int) -> None:
        """Make one question ready that is not, since it takes milliseconds.

        *main* evaluates the watches of the running build, and *number* is the last frame's.
        """
        self._prepare(prepared, main, number, 1)

    async def on_sample(
        self,
        prepared: PreparedBuild,
        main: Evaluator,
        image: Image,
        late: Late,
        confirm: Callable[[], Awaitable[bool]] | None = None,
    ) -> None:
        """Evaluate the questions that are due, where *main* has evaluated the watches on *image*.

        *confirm* is asked whether the lines that are there already still stand.
        """
        sample = self._sample = _Sample(prepared, main, image, late)
        if self._questions.open:
            await self._evaluate(sample, self._due(), late, confirm)

    def after_frame(self, number: int, moment: float) -> None:
        """The frame of the last sample was taken: give the answers."""
        self._commit(number, moment, fresh=False)

    def same_frame(self, number: int, moment: float) -> None:
        """The last sample was of the frame taken before: only new questions have answers."""
        self._commit(number, moment, fresh=True)

    async def between_frames(self, number: int, moment: float, *, may_fetch: bool) -> bool:
        """Answer new questions from the frame that was taken last, since no newer one comes.

        Without *may_fetch* only what is there is used.  Whether every question has some answer now.
        """
        sample = self._sample
        if sample is None:
            return False
        if not any(True for _ in self._fresh()):
            return True
        late = sample.late if may_fetch else None
        self._prepare(sample.prepared, sample.main, number, self._questions.MOST)
        sample.main.budget.work.spent = 0.0  # the frame of the watches was long ago
        await self._evaluate(sample, self._fresh_ready(), late, None)
        self._commit(number, moment, fresh=True)
        return not self._any_silent

    # making ready

    def _set_apart(self) -> None:
        self._before |= self._asked
        self._asked.clear()

    def _prepare(self, prepared: PreparedBuild, main: Evaluator, frame: int, most: int) -> None:
        if prepared is not self._build:
            self._build = prepared
            self._set_apart()
        is_open = self._questions.open
        for known in (self._asked, self._before):
            for question in [question for question in known if question.closed]:
                _let_go(known.pop(question))
        if len(self._asked) == len(is_open):
            return
        for question in [q for q in is_open if q not in self._asked][:most]:
            made = self._ready(question, prepared, main)
            self._asked[question] = made
            if isinstance(made, ExpressionError):
                self._refuse(question, made, frame)

    def _ready(
        self, question: Question, prepared: PreparedBuild, main: Evaluator
    ) -> PreparedQuestion | ExpressionError:
        before = self._before.pop(question, None)
        _let_go(before)
        assert self._opened is not None
        try:
            asked = PreparedQuestion(
                question.text,
                question.watches,
                prepared,
                self._opened,
                main,
                self._clock,
                all_heaps=question.all_heaps,
            )
        except ExpressionError as fault:
            return fault
        except Exception as fault:  # whatever it is, the watches go on
            return _unfit(question, fault)
        if isinstance(before, PreparedQuestion) and before.prepared is prepared:
            asked.evaluator.adopt(before.evaluator)
        return asked

    def _refuse(self, question: Question, fault: ExpressionError, frame: int) -> None:
        build = self._build.layout.name if self._build is not None else ""
        question.give(Answer(frame, build, self._questions.now(), error=fault))

    # evaluating

    async def _evaluate(
        self,
        sample: _Sample,
        asking: list[tuple[Question, PreparedQuestion]],
        late: Late | None,
        confirm: Callable[[], Awaitable[bool]] | None,
    ) -> None:
        image, main = sample.image, sample.main
        self._complete, self._waiting = [], []
        lender, needed = main, set[int]()
        for question, asked in asking:
            # the watches have seen every frame, a question may have rested
            asked.evaluator.copy_pointer_history(main)
            missing = self._run(question, asked, image, main.frame, lender, again=False)
            if missing is None:
                continue
            if missing:
                needed |= missing
                self._waiting.append((question, asked))
            else:
                self._complete.append((question, asked))
            if lender.heap_seen is None and asked.evaluator.heap_seen is not None:
                lender = asked.evaluator
        if confirm is not None and self._complete and not await confirm():
            self._waiting += self._complete
            self._complete = []
            return
        for _ in range(MAX_BATCHES):
            if not needed:
                return
            for line in needed:
                image.touched[line] = 1  # so that they come with the next frame, whatever happens
            if late is None or not await late(needed):
                return
            waiting, self._waiting, needed = self._waiting, [], set()
            for question, asked in waiting:
                missing = self._run(question, asked, image, main.frame, main, again=True)
                if missing is None:
                    continue
                needed |= missing
                (self._waiting if missing else self._complete).append((question, asked))

    def _run(
        self,
        question: Question,
        asked: PreparedQuestion,
        image: Image,
        frame: int,
        lender: Evaluator,
        *,
        again: bool,
    ) -> set[int] | None:
        """The lines that are missing; None where the question failed by itself or was closed."""
        if question.closed:
            return None
        try:
            missing = asked.evaluate(image, frame, again=again, share_heap_with=lender)
        except Exception as fault:
            self._fail(question, fault, frame)
            return None
        if _is_slow(question, asked):
            self._rest_until = self._clock.now() + REST * asked.cost
        return missing

    def _commit(self, frame: int, moment: float, *, fresh: bool) -> None:
        """Give the answers, or only those of *fresh* questions."""
        sample = self._sample
        assert sample is not None
        self._questions.is_present()
        for question, asked in self._complete:
            if question.closed or (fresh and asked.answered):
                continue
            asked.evaluator.commit()
            asked.answered = True
            self._give(question, asked, sample, frame, moment, "")
        for question, asked in self._waiting:
            last = question.answer
            # an answer stays while its lines come, unless it says that there is no frame
            stays = last is not None and last.note in ("", WAITS)
            if question.closed or (stays and (asked.answered or asked.waits)):
                continue
            asked.waits = True
            self._give(question, asked, sample, frame, moment, WAITS)
        self._complete, self._waiting = [], []
        for question, known in self._asked.items():
            # what was wrong with the text is wrong still, now that the source is back
            if isinstance(known, ExpressionError) and question.answer and question.answer.note:
                self._refuse(question, known, frame)

    def _give(
        self,
        question: Question,
        asked: PreparedQuestion,
        sample: _Sample,
        frame: int,
        moment: float,
        note: str,
    ) -> None:
        try:
            question.give(asked.answer(sample.main, sample.image, frame, moment, note))
        except Exception as fault:
            self._fail(question, fault, frame)

    def _fail(self, question: Question, fault: Exception, frame: int) -> None:
        """Whatever one question does, the watches and the other questions go on."""
        refused = self._asked[question] = _unfit(question, fault)
        self._refuse(question, refused, frame)

    # which questions

    @property
    def _any_silent(self) -> bool:
        """Whether a question has had neither an answer nor a word that it waits."""
        known = (self._asked.get(question) for question in self._fresh())
        return any(not isinstance(asked, PreparedQuestion) or not asked.waits for asked in known)

    def _fresh(self) -> Iterator[Question]:
        for question in self._questions.open:
            asked = self._asked.get(question)
            if asked is None or (isinstance(asked, PreparedQuestion) and not asked.answered):
                yield question

    def _fresh_ready(self) -> list[tuple[Question, PreparedQuestion]]:
        ready = [(question, self._asked.get(question)) for question in self._fresh()]
        return [
            (question, asked) for question, asked in ready if isinstance(asked, PreparedQuestion)
        ]

    def _due(self) -> list[tuple[Question, PreparedQuestion]]:
        """Those to evaluate in this frame; of slow ones, one that has rested, in turn."""
        ready = [
            (q, asked) for q, asked in self._asked.items() if isinstance(asked, PreparedQuestion)
        ]
        slow = next((q for q, asked in ready if _is_slow(q, asked)), None)
        if slow is None:
            return ready
        due = [(q, asked) for q, asked in ready if not _is_slow(q, asked)]
        if self._clock.now() >= self._rest_until:
            asked = self._asked.pop(slow)
            self._asked[slow] = asked  # the last in turn
            assert isinstance(asked, PreparedQuestion)
            due.append((slow, asked))
        return due


def _is_slow(question: Question, asked: PreparedQuestion) -> bool:
    return asked.cost > SLOW * question.allowance


def _let_go(known: PreparedQuestion | ExpressionError | None) -> None:
    if isinstance(known, PreparedQuestion):
        known.evaluator.release_image()


def _unfit(question: Question, fault: Exception) -> ExpressionError:
    words = str(fault) or type(fault).__name__
    return ExpressionError(f"cannot be evaluated: {words}", expression=question.text)
