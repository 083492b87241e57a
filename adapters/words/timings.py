"""When steps were done, of all attempts, as lines of text: a histogram that needs no colour.

Bars are of another sign for each verdict, and what is unsure ends its bar with question marks.
"""

from __future__ import annotations

from collections.abc import Iterator

from adapters.printable import printable
from adapters.words.practice import rate_words
from bridge.practice.timings import Bin, Timings
from bridge.practice.windows import Verdict

__all__ = ["BAR", "TAIL", "timing_lines"]

BAR = 40
"""The longest bar, in characters."""
TAIL = 20
"""Frames outside of the window that have lines of their own; those beyond have one together."""
_SIGNS = {Verdict.EARLY: "<", Verdict.RIGHT: "#", Verdict.LATE: ">"}


def timing_lines(timings: Timings) -> list[str]:
    """The lines of one step: how often it was right, the histogram, the spread, other windows."""
    first, last = timings.window
    right = timings.right
    counts = f"{timings.early} early, {timings.late} late"
    lines = [
        f"{printable(timings.step)}, frames {first} to {last}: {rate_words(right)} right; {counts}"
    ]
    lines += [f"  {line}" for line in _histogram(timings)]
    if timings.before:
        lines.append(f"  done before the moment came: {timings.before}")
    if timings.too_soon:
        lines.append(f"  acted too soon, while it waited for its begin: {timings.too_soon}")
    if (spread := timings.spread) is not None:
        lines.append(
            f"  median {spread.median:g}, half of them {spread.lower:g} to {spread.upper:g}, "
            f"all {spread.least} to {spread.most}"
        )
    wider = f"{first} to {last + 1}: {rate_words(timings.later)}"
    if timings.earlier is not None:
        wider = f"{first - 1} to {last}: {rate_words(timings.earlier)}; {wider}; "
        wider += f"{first - 1} to {last + 1}: {rate_words(timings.wider)}"
    lines.append(f"  right, had the window been a frame wider: {wider}")
    if timings.unsure:
        lines.append(f"  frames were missed around {timings.unsure}: those may be others (?)")
    if timings.not_whole:
        lines.append(f"  frames of the step were missed in {timings.not_whole}")
    return lines


def _histogram(timings: Timings) -> Iterator[str]:
    rows = list(_rows(timings))
    most = max((count for *_, count, _ in rows), default=0)
    width = max((len(name) for name, *_ in rows), default=0)
    for name, verdict, count, unsure in rows:
        length = max(1, round(BAR * count / most)) if count else 0
        doubt = min(length, max(1, round(BAR * unsure / most))) if unsure else 0
        bar = _SIGNS[verdict] * (length - doubt) + "?" * doubt
        number = str(count) if count else ""
        yield f"{verdict:<5} {name:>{width}}  {bar} {number}".rstrip()


def _rows(timings: Timings) -> Iterator[tuple[str, Verdict, int, int]]:
    """Each line's frame or frames, verdict, count, and how many of it are unsure.

    From the first to the last frame in which it was done, and all of the window, also empty ones.
    """
    first, last = timings.window
    low, high = first - TAIL, last + TAIL
    inside = {each.frames: each for each in timings.bins if low <= each.frames <= high}
    yield from _tail([each for each in timings.bins if each.frames < low])
    for frame in range(min(first, *inside, first), max(last, *inside, last) + 1):
        verdict = Verdict.RIGHT
        if not first <= frame <= last:
            verdict = Verdict.EARLY if frame < first else Verdict.LATE
        found = inside.get(frame)
        yield (
            str(frame),
            verdict,
            *((0, 0) if found is None else (found.count, found.unsure)),
        )
    yield from _tail([each for each in timings.bins if each.frames > high])


def _tail(bins: list[Bin]) -> Iterator[tuple[str, Verdict, int, int]]:
    if not bins:
        return
    least, most = bins[0].frames, bins[-1].frames
    name = str(least) if least == most else f"{least} to {most}"
    counts = sum(each.count for each in bins), sum(each.unsure for each in bins)
    yield name, bins[0].verdict, *counts
