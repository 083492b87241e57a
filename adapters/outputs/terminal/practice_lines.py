"""The terminal's two lines on practice: where the runner is, and what attempts gave so far."""

from __future__ import annotations

from adapters.outputs.terminal.line import Alphabet, Line, Style
from adapters.words.practice import (
    count_words,
    marked_words,
    open_words,
    rate_words,
    timed_words,
    took_words,
    where_words,
    window_words,
)
from bridge.practice.progress import Phase, Practice
from bridge.practice.steps import StepOutcome

__all__ = ["score_line", "step_line"]


def step_line(practice: Practice, alphabet: Alphabet, width: int) -> Line:
    """The current step with its frames, its hint, and why an expression has no value."""
    frames = practice.frames if practice.step else practice.attempt_frames
    count = count_words(frames)
    took = took_words(practice.finished)
    reason = f"({practice.reason})" if practice.reason else ""
    after = [
        (practice.hint, Style.PLAIN),
        (timed_words(practice), Style.HIT),
        (reason, Style.FAINT),
    ]
    if practice.phase is Phase.BETWEEN:
        words = "between attempts" if practice.score is not None else "before the first step"
        return alphabet.row([(words, Style.FAINT), *after], width)
    if practice.phase is Phase.DONE:
        words = f"{alphabet.hit} all {practice.steps} steps done"
        took = f"in {took} frames" if took else ""
        return alphabet.row([(words, Style.HIT), (took, Style.PLAIN), *after], width)
    if not practice.step:
        return alphabet.row([("under way", Style.STRONG), (count, Style.PLAIN), *after], width)
    waits = where_words(practice)
    if waits and practice.too_soon is None:
        count, waits = f"{count}, {waits}", ""
    parts = [
        (f"step {practice.index} of {practice.steps}", Style.PLAIN),
        (practice.step, Style.STRONG),
        (count, Style.PLAIN),
        (waits, Style.WARNING),
        (window_words(practice), Style.STRONG),
        (f"after {took}" if took else "", Style.FAINT),
    ]
    return alphabet.row([*parts, *after], width, flexible=1)


def score_line(practice: Practice, alphabet: Alphabet, width: int) -> Line:
    """The rate, the streak, the open attempt and the last one; empty while there is nothing.

    Where frames were missed, or the open attempt is unusually long, that stands out.  So does a
    last one that was early or late, which comes first, since a narrow line is cut at its end.
    """
    last = f"last {marked_words(practice.last)}" if practice.last is not None else ""
    outside = _was_outside(practice)
    heed = outside or (practice.last is not None and practice.last.whole is False)
    last_style = Style.WARNING if heed else Style.FAINT
    score = practice.score
    if score is None:
        return alphabet.row([(last, last_style)], width)
    # without steps the length stands in the line above
    counts = bool(practice.step) or practice.phase is Phase.DONE
    said = [f"attempt {practice.attempt}"] if practice.attempt else []
    number = ", ".join(filter(None, [*said, open_words(practice, frames=counts)]))
    heed = practice.attempt_long or practice.attempt_whole is False
    return alphabet.row(
        [
            (last if outside else "", last_style),
            (rate_words(score.all) if score.all.count else "no attempt yet", Style.PLAIN),
            (f"{score.streak} in a row" if score.streak > 1 else "", Style.STRONG),
            (number, Style.WARNING if heed else Style.FAINT),
            ("" if outside else last, last_style),
            (f"{score.not_whole} with frames missed" if score.not_whole else "", Style.FAINT),
        ],
        width,
    )


def _was_outside(practice: Practice) -> bool:
    """Whether the last attempt failed by its window."""
    timed = practice.last.timed if practice.last is not None else None
    return timed is not None and timed.outcome is StepOutcome.FAILED
