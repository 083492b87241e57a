"""How the bridge is doing, for the page that shows it: rate, outputs, what there is to ask."""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from typing import Any

from bridge.ports.output import Output
from bridge.readings.frame import Frame

__all__ = ["WINDOW", "FrameRate", "health"]

WINDOW = 3.0
"""Seconds over which the rate is taken."""


class FrameRate:
    """Frames a second in the last WINDOW seconds, by the daemon's own count of frames."""

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._seen: deque[tuple[float, int]] = deque()

    def saw(self, frame: Frame) -> None:
        """Count what was taken since the frame before; one that is only shown again is none."""
        count = frame.stats.frames
        if self._seen and self._seen[-1][1] == count:
            return
        if self._seen and self._seen[-1][1] > count:
            self._seen.clear()
        self._seen.append((self._clock(), count))
        self._forget()

    @property
    def rate(self) -> float:
        """Between the last two frames where they are further apart than that.

        0 where none was taken for WINDOW seconds and for twice the time from one to the next.
        """
        self._forget()
        if len(self._seen) < 2:
            return 0.0
        (first, before), (last, after) = self._seen[0], self._seen[-1]
        apart = (last - first) / (after - before)
        since = self._clock() - last
        if since > max(WINDOW, 2 * apart):
            return 0.0
        # the time in which the next frame is not due yet says nothing
        span = last - first + max(0.0, since - apart)
        # some systems' clocks stand still for as long as a frame takes
        return (after - before) / span if span else 0.0

    def _forget(self) -> None:
        oldest = self._clock() - WINDOW
        while len(self._seen) > 2 and self._seen[0][0] < oldest:
            self._seen.popleft()


def health(
    rate: float,
    outputs: Sequence[Output],
    *,
    layouts: Sequence[str],
    tallies: bool,
    history: bool,
    pasts: bool = False,
    controls: Sequence[str] = (),
    keys: Mapping[str, str] | None = None,
    pages: Sequence[str] = (),
    notice: str = "",
    words: Callable[[str], str] = str,
) -> dict[str, Any]:
    """``rate`` is in frames a second, ``state`` an output's own words about itself.

    ``pasts`` says whether there can be something to look at again, ``controls`` what can be asked
    for by a button, ``keys`` which actions can be marked, by key, ``pages`` what overlay pages have
    to complain of, and ``notice`` what there is to know of how attempts and tallies are kept, empty
    where all is well; *words* makes of an output's words what the page may see of them.
    """
    return {
        "rate": round(rate, 2),
        "outputs": [
            {"kind": output.kind, "state": words(output.state), "skipped": output.skipped}
            for output in outputs
        ],
        "layouts": list(layouts),
        "tallies": tallies,
        "history": history,
        "pasts": pasts,
        "controls": list(controls),
        "keys": dict(keys or {}),
        "pages": list(pages),
        "notice": words(notice),
    }
