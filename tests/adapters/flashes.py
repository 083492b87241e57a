"""Counts flashes in a film of a page, by the definitions of WCAG 2.2, success criterion 2.3.1.

Source: W3C, Web Content Accessibility Guidelines 2.2, "general flash and red flash thresholds" and
"relative luminance".

- A general flash is a pair of opposing changes in relative luminance of 10 % of the maximum or
  more, where the darker of the two is below 0.80.
- A red flash is a pair of opposing transitions that involve a saturated red: R / (R + G + B) >= 0.8
  in linear light, and a change of more than 20 in (R - G - B) * 320, negative values as 0.
- Flashes count where those that happen at the same time cover more than 25 % of any 341 × 256
  pixels.

A change is measured from the last extreme of its pixel, so that a slow fade counts as the whole
that it comes to.  In each frame the area of all pixels that then complete a change upwards, or
downwards, is taken in windows of 341 × 256 pixels that lie a sixteenth of a window apart.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

WINDOW = (256, 341)
AREA = 0.25
LUMINANCE_CHANGE = 0.1
DARKER_BELOW = 0.8
RED_SHARE = 0.8
RED_CHANGE = 20.0

Pixels = NDArray[np.uint8]
"""Height × width × 3, sRGB."""
Plane = NDArray[np.float32]


@dataclass
class Turns:
    """Where the area threshold was passed by changes, at which times in seconds, and which way."""

    general: list[tuple[float, int]] = field(default_factory=list)
    red: list[tuple[float, int]] = field(default_factory=list)


class FlashMeter:
    """Fed one frame of the film after another."""

    def __init__(self) -> None:
        self.turns = Turns()
        self.frames = 0
        self.largest_share = 0.0
        """The largest share of a window that changed at once, of all frames."""
        self._luminance: _Extremes | None = None
        self._red: _Extremes | None = None

    def see(self, time: float, pixels: Pixels) -> None:
        """A frame; *time* is in seconds."""
        self.frames += 1
        light = _LINEAR[pixels]
        luminance = light @ np.array([0.2126, 0.7152, 0.0722], np.float32)
        red, green, blue = light[..., 0], light[..., 1], light[..., 2]
        total = light.sum(axis=2)
        is_red = (red >= RED_SHARE * total) & (total > 0)
        redness = np.maximum((red - green - blue) * 320, 0).astype(np.float32)
        if self._luminance is None or self._red is None:
            self._luminance, self._red = _Extremes(luminance), _Extremes(redness)
            self._was_red = is_red
            return
        for way, changed, darker in self._luminance.changes(luminance, LUMINANCE_CHANGE):
            if self._covers(changed & (darker < DARKER_BELOW)):
                self.turns.general.append((time, way))
        for way, changed, _ in self._red.changes(redness, RED_CHANGE):
            if self._covers(changed & (is_red | self._was_red)):
                self.turns.red.append((time, way))
        self._was_red = is_red

    def _covers(self, changed: NDArray[np.bool_]) -> bool:
        share = largest_window_share(changed)
        self.largest_share = max(self.largest_share, share)
        return share > AREA

    def most_in_a_second(self) -> tuple[int, int]:
        """General and red flashes in the worst second."""
        return _most(self.turns.general), _most(self.turns.red)


class _Extremes:
    """For each pixel the extreme since it last turned, and which way it was going."""

    def __init__(self, first: Plane) -> None:
        self._low, self._high = first.copy(), first.copy()
        self._way = np.zeros(first.shape, np.int8)

    def changes(self, plane: Plane, least: float) -> Iterator[tuple[int, NDArray[np.bool_], Plane]]:
        """The pixels that complete a change up (1), and down (-1), with its darker end."""
        up = (self._way <= 0) & (plane - self._low >= least)
        down = (self._way >= 0) & (self._high - plane >= least) & ~up
        low = self._low
        self._way[up], self._way[down] = 1, -1
        # the highest counts from the turn upwards, the lowest from the turn downwards
        self._high = np.where(up, plane, np.maximum(self._high, plane))
        self._low = np.where(down, plane, np.minimum(low, plane))
        yield 1, up, low
        yield -1, down, plane


def largest_window_share(changed: NDArray[np.bool_]) -> float:
    """The largest share of a window of 341 × 256 pixels that is set."""
    high, wide = WINDOW
    sums = np.zeros((changed.shape[0] + 1, changed.shape[1] + 1), np.int64)
    sums[1:, 1:] = changed.cumsum(0).cumsum(1)
    largest = 0
    for top in _starts(changed.shape[0], high):
        for left in _starts(changed.shape[1], wide):
            bottom, right = min(top + high, changed.shape[0]), min(left + wide, changed.shape[1])
            area = sums[bottom, right] - sums[top, right] - sums[bottom, left] + sums[top, left]
            largest = max(largest, int(area))
    return largest / (high * wide)


def _starts(length: int, window: int) -> list[int]:
    return sorted({*range(0, max(1, length - window + 1), window // 16), max(0, length - window)})


def _most(turns: list[tuple[float, int]]) -> int:
    """Flashes in the worst second: pairs of turns of opposing ways, one after the other."""
    alternating: list[float] = []
    way = 0
    for time, turn in turns:
        if turn != way:
            alternating.append(time)
            way = turn
    worst = max(
        (sum(first <= each < first + 1 for each in alternating) for first in alternating), default=0
    )
    return worst // 2


def _linear() -> NDArray[np.float32]:
    share = np.arange(256) / 255
    return np.where(share <= 0.04045, share / 12.92, ((share + 0.055) / 1.055) ** 2.4).astype(
        np.float32
    )


_LINEAR = _linear()
