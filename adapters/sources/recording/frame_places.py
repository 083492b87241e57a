"""Where a frame is in a recording, by the game's own number of it."""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass

from adapters.recordings.reader import Recording
from schemas.errors import SourceUnusable

__all__ = ["END", "START", "FramePlace", "place_of"]


@dataclass(frozen=True, order=True, slots=True)
class FramePlace:
    """A frame's group, and which frame of that it is; both from 0."""

    group: int
    index: int


START = FramePlace(0, 0)
END = FramePlace(1 << 62, 0)
"""Behind every frame."""


def place_of(recording: Recording, number: int, start: FramePlace = START) -> FramePlace:
    """The first frame with a number, at *start* or behind it.

    Raises SourceUnusable where there is none, and as reading a recording does.
    """
    groups = range(start.group, len(recording.groups))
    # numbers rise, unless the game was reset: then all is looked through
    rise = bisect_right(groups, number, key=lambda group: recording.frames(group)[0].number)
    likely = groups[max(0, rise - 1) : rise + 1]
    held: set[int] = set()
    for group in (*likely, *groups):
        for index, frame in enumerate(recording.frames(group)):
            if FramePlace(group, index) < start:
                continue
            if frame.number == number:
                return FramePlace(group, index)
            held.add(frame.number)
    raise SourceUnusable(
        f"has no frame {_words(recording, number, start, held)}",
        source=f"recording {recording.path.name}",
    )


def _words(recording: Recording, number: int, start: FramePlace, held: set[int]) -> str:
    least, most = min(held), max(held)
    if start != START:
        first = recording.frames(start.group)[start.index].number
        where = f"{number} at or behind frame {first}"
        return f"{where}: it holds frames {least} to {most} from there on"
    words = f"{number}: it holds frames {least} to {most}"
    if least < number < most:
        before = max(each for each in held if each < number)
        after = min(each for each in held if each > number)
        words += f", of which {before} is followed by {after}"
    return words
