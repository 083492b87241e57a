"""Places in a recording with words: where attempts and steps began, what ended, what is missing."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Literal

from adapters.words.practice import count_words, marked_words
from bridge.practice.progress import Phase, Practice
from bridge.practice.steps import StepOutcome
from bridge.readings.frame import Frame

__all__ = ["Mark", "MarkFinder", "MarkKind"]

MarkKind = Literal["attempt", "outcome", "step", "heap", "gap", "reset"]


@dataclass(frozen=True, slots=True)
class Mark:
    """A place, the game's own number of its frame, and what is there.

    ``step`` is a step's name, ``outcome`` how an attempt ended.
    """

    place: int
    frame: int
    kind: MarkKind
    words: str
    step: str = ""
    outcome: str = ""

    def as_json(self) -> dict[str, Any]:
        return {
            "place": self.place,
            "frame": self.frame,
            "kind": self.kind,
            "words": self.words,
            **({"outcome": self.outcome} if self.outcome else {}),
        }


class MarkFinder:
    """Is shown one frame after the other, all in their order."""

    def __init__(self) -> None:
        self._before: Frame | None = None
        self._way: tuple[int, int] = (0, 0)
        self._begun = 0

    def take(self, place: int, frame: Frame) -> list[Mark]:
        """The marks of a frame: what is missing before it, what ended, what began."""
        before, self._before = self._before, frame
        found = [*self._missing(place, frame, before)]
        if frame.practice is not None:
            was = before.practice if before is not None else None
            found += self._practised(place, frame, frame.practice, was or Practice())
        return found

    def _missing(self, place: int, frame: Frame, before: Frame | None) -> Iterator[Mark]:
        if before is None:
            return
        stats, was = frame.stats, before.stats
        if stats.resets > was.resets:
            back = frame.number < before.number
            words = "the game was reset" if back else "the frame's number has jumped"
            yield Mark(place, frame.number, "reset", words)
        if stats.unclear > was.unclear:
            words = "frames missed, nobody knows how many"
            yield Mark(place, frame.number, "gap", words)
        elif stats.skipped > was.skipped:
            words = f"{count_words(stats.skipped - was.skipped)} missed"
            yield Mark(place, frame.number, "gap", words)

    def _practised(self, place: int, frame: Frame, now: Practice, was: Practice) -> Iterator[Mark]:
        number = frame.number
        news = now.ended - was.ended
        for attempt in now.recent[-news:] if news > 0 else ():
            done = [each.name for each in attempt.steps if each.outcome is StepOutcome.DONE]
            if self._way[0] == attempt.number:
                yield from self._steps(place, number, done)
            words = marked_words(attempt)
            if attempt.number:
                words = f"attempt {attempt.number}: {words}"
            yield Mark(place, number, "outcome", words, outcome=attempt.outcome.value)
        way = now.attempt, now.ended
        if way != self._way:
            self._way, self._begun = way, 0
            if now.attempt:
                yield Mark(place, number, "attempt", f"attempt {now.attempt} begins")
        names = [each.name for each in now.finished]
        if now.phase is Phase.RUNNING and now.step:
            names.append(now.step)
        yield from self._steps(place, number, names)

    def _steps(self, place: int, number: int, names: list[str]) -> Iterator[Mark]:
        """Of the steps that have begun on this way, those that are new."""
        for name in names[self._begun :]:
            yield Mark(place, number, "step", name, name)
        self._begun = max(self._begun, len(names))
