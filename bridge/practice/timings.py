"""What all attempts say of when a step was done, against its window.

Frames count from the moment, so two attempts compare whatever became before.  A step that was done
before its moment came has no such number: it is early and stands in no histogram.  Where the window
was another once, that is another :class:`Timings`, since its verdicts were.

Frames are whole numbers, so a frame is a bin of the histogram.  The median and the quartiles are
those at which a quarter, half and three quarters lie below, between two values in proportion.
Source: R. J. Hyndman and Y. Fan, "Sample quantiles in statistical packages", The American
Statistician 50 (1996), pages 361 to 365, definition 7.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from bridge.practice.attempts import Attempt
from bridge.practice.steps import StepResult
from bridge.practice.totals import Rate
from bridge.practice.windows import StepTiming, Verdict

__all__ = ["Bin", "Spread", "Timings", "quantile", "timings_of"]


@dataclass(frozen=True, slots=True)
class Bin:
    """``count`` attempts in which the step was done in frame ``frames`` behind the moment.

    ``unsure`` of these may have been a few frames earlier or later, since some were missed there.
    """

    frames: int
    verdict: Verdict
    count: int
    unsure: int

    def as_json(self) -> dict[str, Any]:
        return {
            "frames": self.frames,
            "verdict": str(self.verdict),
            "count": self.count,
            "unsure": self.unsure,
        }


@dataclass(frozen=True, slots=True)
class Spread:
    """How far frames lie apart: the least, the quartiles with the median between, the most."""

    least: int
    lower: float
    median: float
    upper: float
    most: int

    def as_json(self) -> dict[str, Any]:
        return {
            "least": self.least,
            "lower": self.lower,
            "median": self.median,
            "upper": self.upper,
            "most": self.most,
        }


@dataclass(frozen=True, slots=True)
class Timings:
    """One step with one window: the first and the last frame that are right.

    ``right`` is how often it was right, of all times that it was done; ``early`` and ``late`` are
    the others, ``before`` those of ``early`` that were done before the moment came.  ``unsure`` may
    be otherwise by some frames; of ``not_whole``, not all frames were seen by which the step was
    judged.  ``too_soon`` is how often it was done while it yet waited for its begin.  ``bins`` are
    in order, without those in which nothing was.  ``spread`` is None without any of them.
    ``earlier``, ``later`` and ``wider`` are how often it would have been right, had the window
    begun a frame before (None where it begins with the moment), ended a frame behind, or both.
    """

    step: str
    window: tuple[int, int]
    right: Rate
    early: int
    late: int
    before: int
    unsure: int
    not_whole: int
    too_soon: int
    bins: tuple[Bin, ...]
    spread: Spread | None
    earlier: Rate | None
    later: Rate
    wider: Rate

    def as_json(self) -> dict[str, Any]:
        """The object for ``--json``; what is not known is null."""
        return {
            "step": self.step,
            "window": list(self.window),
            "right": self.right.as_json(),
            "early": self.early,
            "late": self.late,
            "before": self.before,
            "unsure": self.unsure,
            "not_whole": self.not_whole,
            "too_soon": self.too_soon,
            "histogram": [each.as_json() for each in self.bins],
            "spread": self.spread and self.spread.as_json(),
            "earlier": self.earlier and self.earlier.as_json(),
            "later": self.later.as_json(),
            "wider": self.wider.as_json(),
        }


def timings_of(attempts: Iterable[Attempt]) -> list[Timings]:
    """Of the steps that had a window, in the order in which they were met; of several windows of a
    step the newest first.  What was taken back does not count."""
    found: dict[str, dict[tuple[int, int], list[tuple[StepResult, StepTiming]]]] = {}
    too_soon: Counter[str] = Counter()
    for attempt in attempts:
        if attempt.undone:
            continue
        for result in attempt.steps:
            too_soon[result.name] += result.too_soon
            if (timing := result.timing) is None:
                continue
            windows = found.setdefault(result.name, {})
            # the window of this attempt is the newest now
            windows[timing.window] = windows.pop(timing.window, [])
            windows[timing.window].append((result, timing))
    return [
        # those that acted too soon may have no timing, and so no window to tell them apart by
        _timings(step, window, done, too_soon[step] if place == 0 else 0)
        for step, windows in found.items()
        for place, (window, done) in enumerate(reversed(windows.items()))
    ]


def quantile(ordered: Sequence[int], share: float) -> float:
    """The value below which *share* of *ordered* lie, 0 to 1; there is one value at least."""
    place = (len(ordered) - 1) * share
    below = int(place)
    above = min(below + 1, len(ordered) - 1)
    return ordered[below] + (ordered[above] - ordered[below]) * (place - below)


def _timings(
    step: str,
    window: tuple[int, int],
    done: Sequence[tuple[StepResult, StepTiming]],
    too_soon: int,
) -> Timings:
    first, last = window
    verdicts = Counter(timing.verdict for _, timing in done)
    at = Counter(timing.frames for _, timing in done if timing.frames is not None)
    unsure = Counter(timing.frames for _, timing in done if timing.unsure != 0)
    frames = sorted(at.elements())
    right, count = verdicts[Verdict.RIGHT], len(done)
    before, behind = at[first - 1], at[last + 1]
    spread = None
    if frames:
        lower, median, upper = (quantile(frames, share) for share in (0.25, 0.5, 0.75))
        spread = Spread(frames[0], lower, median, upper, frames[-1])
    return Timings(
        *(step, window, Rate(right, count), verdicts[Verdict.EARLY], verdicts[Verdict.LATE]),
        before=count - len(frames),
        unsure=unsure.total(),
        not_whole=sum(result.whole is False for result, _ in done),
        too_soon=too_soon,
        bins=tuple(
            Bin(frame, _verdict(frame, window), at[frame], unsure[frame]) for frame in sorted(at)
        ),
        spread=spread,
        earlier=Rate(right + before, count) if first else None,
        later=Rate(right + behind, count),
        wider=Rate(right + before + behind, count),
    )


def _verdict(frames: int, window: tuple[int, int]) -> Verdict:
    if window[0] <= frames <= window[1]:
        return Verdict.RIGHT
    return Verdict.EARLY if frames < window[0] else Verdict.LATE
