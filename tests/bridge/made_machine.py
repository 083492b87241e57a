"""State machines of functions over frames, by the function's name."""

from __future__ import annotations

from collections.abc import Callable

from bridge.expressions.frame_functions.conditions import Count, FramesOf, FramesSince, Latest
from bridge.expressions.frame_functions.frame_before import Change, Previous
from bridge.expressions.frame_functions.frame_function import FrameFunction
from bridge.expressions.frame_functions.summaries import Average, Highest, Lowest
from bridge.expressions.frame_functions.tally import Tally

MACHINES: dict[str, Callable[[str], FrameFunction]] = {
    "previous": Previous,
    "change": Change,
    "frames_since": FramesSince,
    "frames_of": FramesOf,
    "latest": Latest,
    "count": Count,
    "highest": Highest,
    "lowest": Lowest,
    "tally": Tally,
}


def make(function: str, text: str, count: int) -> FrameFunction:
    """The machine of a function; *count* is how many frames an average is of."""
    return Average(text, count) if function == "average" else MACHINES[function](text)
