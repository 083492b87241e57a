"""Whether what was told of practice is true, held against a story that is known beforehand.

No source: the rule is the project's own.  A verdict that is not marked must be what happened, and
what happened must have been told or lie where something says that frames were missed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from bridge.practice.attempts import AGAIN, Attempt, Outcome


@dataclass(frozen=True)
class Truth:
    """An attempt as it was: the game's frames of its begin and end, and how it came out.

    ``step`` is the one that it stood in at the end, "" after a success; ``again`` says that the
    next start ended it.  ``steps`` are the outcome and the frames of each step that was reached.
    """

    began: int
    ended: int
    outcome: Outcome
    step: str
    again: bool
    steps: tuple[tuple[str, int], ...]

    @property
    def words(self) -> str:
        stood = f" at {self.step}" if self.step else ""
        return f"{self.outcome}{stood} in {self.began} to {self.ended}"


@dataclass(frozen=True)
class Judgement:
    """``wrong`` are complaints, one a line; ``whole`` and ``marked`` count what was told.

    ``mistaken`` of the marked ones came out otherwise, or in other frames: without the mark they
    would be wrong.
    """

    wrong: tuple[str, ...]
    whole: int
    marked: int
    mistaken: int


def as_truth(attempt: Attempt) -> Truth:
    """An attempt as it was told, in the form of what was."""
    return Truth(
        attempt.began_frame,
        attempt.began_frame + (attempt.frames or 0),
        attempt.outcome,
        attempt.step,
        attempt.reason == AGAIN,
        tuple((str(step.outcome), step.waited + step.frames) for step in attempt.steps),
    )


def judge(told: Sequence[Attempt], story: Sequence[Truth], last_taken: int) -> Judgement:
    """Hold *told* against *story*.  What the story tells behind *last_taken* is left out."""
    wrong: list[str] = []
    by_begin = {each.began: each for each in story}
    sure = [a for a in told if a.whole and a.outcome is not Outcome.CUT_OFF]
    for attempt in sure:
        true = by_begin.get(attempt.began_frame)
        if true is None:
            wrong.append(f"attempt {attempt.number}: none began in frame {attempt.began_frame}")
            continue
        found = as_truth(attempt)
        if found != true:
            wrong.append(f"attempt {attempt.number}: told {found}, was {true}")
    unsure = [a for a in told if a.outcome is not Outcome.OPEN and a not in sure]
    begins = {a.began_frame for a in sure}
    for true in story:
        if true.ended > last_taken or true.began in begins:
            continue
        if any(
            a.began_frame <= true.ended and true.began <= a.began_frame + (a.frames or 0)
            for a in unsure
        ):
            continue
        after = next((a for a in told if a.began_frame >= true.began), None)
        if after is None or not after.unseen_before:
            wrong.append(f"dropped without a word: {true.words}")
    numbers = [attempt.number for attempt in told]
    if numbers != list(range(1, len(told) + 1)):
        wrong.append(f"numbers are {numbers}")
    true_ones = set(story)
    mistaken = sum(as_truth(attempt) not in true_ones for attempt in unsure)
    return Judgement(tuple(wrong), len(sure), len(unsure), mistaken)
