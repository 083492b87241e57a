"""What is kept of frames gives the same frames again, and takes no more room than it says."""

from __future__ import annotations

import math
import tracemalloc

from hypothesis import given, settings
from hypothesis import strategies as st

from adapters.sessions.pasts.kept_frames import MAX_PACK, KeptFrames, Packs
from bridge.readings.frame import Frame, Stats
from bridge.readings.reading import Reading, Watch
from bridge.values.status import Status
from bridge.values.value_type import FLOAT

WATCHES = tuple(Watch(name, "", name, FLOAT) for name in ("a", "b"))
VALUES = st.sampled_from(
    (0.0, -0.0, 0, 1, 1.0, True, False, math.nan, math.inf, 1 << 70, "", "reed", None)
)
READINGS = st.builds(
    lambda value, status, address, reason, age: (value, status, address, reason, age),
    *(VALUES, st.sampled_from(Status), st.none() | st.integers(0, 1 << 64)),
    *(st.sampled_from(("", "courier.held is null")), st.sampled_from((0.0, 1.5))),
)


@given(st.lists(st.lists(READINGS, max_size=2), min_size=1, max_size=MAX_PACK * 2 + 3))
@settings(max_examples=30, deadline=None)
def test_frames_come_back_as_they_were(rows: list[list[tuple[object, ...]]]) -> None:
    """Also where values are equal and yet not the same, such as the two zeros, or 1 and true."""
    kept = KeptFrames({"first-print": WATCHES})
    frames = []
    for number, row in enumerate(rows):
        readings = [
            Reading(watch, status, value, address, reason, age)  # type: ignore[arg-type]
            for watch, (value, status, address, reason, age) in zip(WATCHES, row, strict=False)
        ]
        frames.append(
            Frame(
                *(number, 60.5 + number, "first-print", "recording demo.mcap", "guarded"),
                make_readings=lambda found=readings: found,  # type: ignore[misc]
                stats=Stats(frames=number + 1),
                note="" if number % 3 else "not whole",
            )
        )
        kept.append(frames[-1])
    assert len(kept) == len(frames)
    for index in [*range(len(frames)), 0]:
        found, frame = kept[index], frames[index]
        assert found == frame
        assert repr(found.readings) == repr(frame.readings)


def test_packs_take_the_room_that_they_say() -> None:
    packs = Packs()
    packs.append("warm")
    tracemalloc.start()
    try:
        before, _ = tracemalloc.get_traced_memory()
        for number in range(MAX_PACK * 60):
            packs.append(f"{number % 50} " * 200)
        taken = tracemalloc.get_traced_memory()[0] - before
    finally:
        tracemalloc.stop()
    assert packs.size < 60_000
    # the packs themselves, and one that is not packed yet
    assert taken < 2 * packs.size + MAX_PACK * 1200
