"""The terminal's two lines on practice: where the runner is, and what attempts gave so far."""

from __future__ import annotations

from adapters.outputs.practice_words import (
    count_words,
    outcome_words,
    rate_words,
    took_words,
)
from adapters.outputs.terminal_line import Alphabet, Line, Style
from bridge.practice import Phase, Practice


def step_line(practice: Practice, alphabet: Alphabet, width: int) -> Line:
    """The current step with its frames, its hint, and why an expression has no value."""
    frames = practice.frames if practice.step else practice.attempt_frames
    count = count_words(frames)
    took = took_words(practice.finished)
    reason = f"({practice.reason})" if practice.reason else ""
    after = [(practice.hint, Style.PLAIN), (reason, Style.FAINT)]
    if practice.phase is Phase.BETWEEN:
        words = "between attempts" if practice.score is not None else "before the first step"
        return alphabet.row([(words, Style.FAINT), *after], width)
    if practice.phase is Phase.DONE:
        words = f"{alphabet.hit} all {practice.steps} steps done"
        took = f"in {took} frames" if took else ""
        return alphabet.row([(words, Style.HIT), (took, Style.PLAIN), *after], width)
    if not practice.step:
        return alphabet.row([("under way", Style.STRONG), (count, Style.PLAIN), *after], width)
    if practice.phase is Phase.WAITING:
        count += ", yet to begin"
    parts = [
        (f"step {practice.index} of {practice.steps}", Style.PLAIN),
        (practice.step, Style.STRONG),
        (count, Style.PLAIN),
        (f"after {took}" if took else "", Style.FAINT),
    ]
    return alphabet.row([*parts, *after], width, flexible=1)


def score_line(practice: Practice, alphabet: Alphabet, width: int) -> Line:
    """The rate, the streak, the open attempt and the last one; empty while there is nothing."""
    last = f"last {outcome_words(practice.last)}" if practice.last is not None else ""
    score = practice.score
    if score is None:
        return alphabet.row([(last, Style.FAINT)], width)
    number = f"attempt {practice.attempt}" if practice.attempt else ""
    return alphabet.row(
        [
            (rate_words(score.all) if score.all.count else "no attempt yet", Style.PLAIN),
            (f"{score.streak} in a row" if score.streak > 1 else "", Style.STRONG),
            (number, Style.FAINT),
            (last, Style.FAINT),
        ],
        width,
    )
