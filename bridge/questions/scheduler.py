"""Questions beside the watches of one sampler, so that they never stand in the watches' way.

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

import time
from collections.abc import Awaitable, Callable, Iterator

from bridge.evaluation.evaluator import Evaluator
from bridge.memory.image import Image
from bridge.ports.source import Opened
from bridge.prepared import PreparedBuild
from bridge.questions.prepared_question import PreparedQuestion
from bridge.questions.question import Answer, Question, Questions
from schemas.errors import ExpressionError

Late = Callable[[set[int]], Awaitable[bool]]
"""Fetches lines that come late; false where the frame does not stand any more: then they are not
there."""

WAITS = "waits for the next frame"
MAX_BATCHES = 8
"""Batches of late lines in one frame."""
SLOW = 0.001
"""Seconds; a question that takes longer twice in a row rests afterwards."""
REST = 20
"""A slow question rests for so many times as long as it took."""


class QuestionScheduler:
    """The open questions on one source.  *previous* is that of the sampler which this follows."""

    def __init__(
        self,
        questions: Questions,
        opened: Opened,
        previous: QuestionScheduler | None,
    ) -> None:
        self._questions = questions
        self._opened = opened
        self._asked: dict[Question, PreparedQuestion | ExpressionError] = {}
        self._build: PreparedBuild | None = None
        self._before: dict[Question, PreparedQuestion | ExpressionError] = {}
        if previous is not None:
            self._before = {**previous._before, **previous._asked}
        self._complete: list[tuple[Question, PreparedQuestion]] = []
        self._waiting: list[tuple[Question, PreparedQuestion]] = []
        self._rest_until = 0.0

    @property
    def most_at_once(self) -> int:
        """As many questions as can be open."""
        return self._questions.MOST

    @property
    def any_open(self) -> bool:
        return bool(self._questions.open)

    @property
    def any_fresh(self) -> bool:
        """Whether a question has had no answer from this source."""
        return any(True for _ in self._fresh())

    @property
    def any_silent(self) -> bool:
        """Whether a question has had neither an answer nor a word that it waits."""
        known = (self._asked.get(question) for question in self._fresh())
        return any(not isinstance(asked, PreparedQuestion) or not asked.waits for asked in known)

    def clear(self) -> None:
        """Functions over frames begin anew."""
        for asked in (*self._asked.values(), *self._before.values()):
            if isinstance(asked, PreparedQuestion):
                asked.evaluator.clear()

    def note(self, reason: str) -> None:
        """Why there is no frame."""
        self._questions.note(reason)

    def prepare(self, prepared: PreparedBuild, main: Evaluator, frame: int, most: int = 1) -> None:
        """Make questions ready that are not: *most* at a time, since it takes milliseconds."""
        if prepared is not self._build:
            self._build = prepared
            self._before |= self._asked
            self._asked.clear()
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
        try:
            asked = PreparedQuestion(question.text, question.watches, prepared, self._opened, main)
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

    # one frame

    async def evaluate(
        self,
        image: Image,
        main: Evaluator,
        late: Late | None,
        confirm: Callable[[], Awaitable[bool]] | None = None,
        *,
        fresh: bool = False,
    ) -> None:
        """Evaluate every question, or only *fresh* ones, where *main* has evaluated the watches.

        Without *late* no line can be had.  *confirm* is asked whether the lines that are there
        already still stand.  :meth:`commit` follows where the frame is taken.
        """
        if fresh:
            main.budget.work.spent = 0.0  # the frame of the watches was long ago
        self._complete, self._waiting = [], []
        lender, needed = main, set[int]()
        for question, asked in self._fresh_ready() if fresh else self._due():
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
        if asked.cost > SLOW:
            self._rest_until = time.monotonic() + REST * asked.cost
        return missing

    def commit(
        self, main: Evaluator, image: Image, frame: int, moment: float, *, fresh: bool = False
    ) -> None:
        """The frame was taken: give the answers, or only those of *fresh* questions."""
        self._questions.is_present()
        for question, asked in self._complete:
            if question.closed or (fresh and asked.answered):
                continue
            asked.evaluator.commit()
            asked.answered = True
            self._give(question, asked, main, image, frame, moment, "")
        for question, asked in self._waiting:
            last = question.answer
            # an answer stays while its lines come, unless it says that there is no frame
            stays = last is not None and last.note in ("", WAITS)
            if question.closed or (stays and (asked.answered or asked.waits)):
                continue
            asked.waits = True
            self._give(question, asked, main, image, frame, moment, WAITS)
        self._complete, self._waiting = [], []
        for question, known in self._asked.items():
            # what was wrong with the text is wrong still, now that the source is back
            if isinstance(known, ExpressionError) and question.answer and question.answer.note:
                self._refuse(question, known, frame)

    def _give(
        self,
        question: Question,
        asked: PreparedQuestion,
        main: Evaluator,
        image: Image,
        frame: int,
        moment: float,
        note: str,
    ) -> None:
        try:
            question.give(asked.answer(main, image, frame, moment, note))
        except Exception as fault:
            self._fail(question, fault, frame)

    def _fail(self, question: Question, fault: Exception, frame: int) -> None:
        """Whatever one question does, the watches and the other questions go on."""
        refused = self._asked[question] = _unfit(question, fault)
        self._refuse(question, refused, frame)

    # which questions

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
        slow = next((q for q, asked in ready if asked.cost > SLOW), None)
        if slow is None:
            return ready
        due = [(q, asked) for q, asked in ready if asked.cost <= SLOW]
        if time.monotonic() >= self._rest_until:
            asked = self._asked.pop(slow)
            self._asked[slow] = asked  # the last in turn
            assert isinstance(asked, PreparedQuestion)
            due.append((slow, asked))
        return due


def _let_go(known: PreparedQuestion | ExpressionError | None) -> None:
    if isinstance(known, PreparedQuestion):
        known.evaluator.release_image()


def _unfit(question: Question, fault: Exception) -> ExpressionError:
    words = str(fault) or type(fault).__name__
    return ExpressionError(f"cannot be evaluated: {words}", expression=question.text)
