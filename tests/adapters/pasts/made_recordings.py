"""Recordings of the demo game that are put together from its recorded frames."""

from __future__ import annotations

import shutil
from collections.abc import Iterable, Sequence
from dataclasses import replace
from pathlib import Path

from adapters.recordings.frame_message import RecordedFrame
from adapters.recordings.reader import open_recording
from adapters.recordings.recorder import Recorder
from bridge.memory.address_map import Span
from tests.adapters.desk_daemon import SAMPLES, SCHEMA

DEMO = SAMPLES / "demo.mcap"
WITH_A_GAP_AND_A_RESET = [*range(140, 300), *range(341, 640), *range(100, 220)]
GAP, RESET = 160, 459
"""At the first of these places 41 frames are missing, at the other the game was reset."""


def demo_bridge(
    folder: Path,
    *,
    recording: Path | None = None,
    places: Sequence[int] = (),
    tables: str = "",
    source: str = "",
) -> Path:
    """The demo's bridge file, with pages on a free port, of a recording in *folder*.

    Without one it is the demo's own, or its frames at *places*.
    """
    if recording is None:
        recording = folder / "demo.mcap"
        if places:
            put_together(recording, places)
        else:
            shutil.copy(DEMO, recording)
    shutil.copy(SAMPLES / "demo.layout.toml", folder)
    text = (SAMPLES / "demo.bridge.toml").read_text("utf-8")
    text = text.replace("../schemas/games/tidewright.schema.toml", SCHEMA.as_posix())
    text = text.replace('path = "demo.mcap"', f'path = "{recording.name}"\n{source}')
    path = folder / "demo.bridge.toml"
    path.write_text(text.replace("127.0.0.1:7365", "127.0.0.1:0") + tables, "utf-8")
    return path


def put_together(
    target: Path, places: Iterable[int], *, game: str = "Tidewright", unknown: int = 0
) -> None:
    """The frames of the demo at *places*, one after the other, 60 a second with those between.

    Of the first *unknown* of them all memory is zero, so that no build is recognised.
    """
    demo = open_recording(DEMO)
    frames: list[RecordedFrame] = []
    for group in range(len(demo.groups)):
        frames += demo.frames(group)
    spans = [Span(region.start, region.size) for region in demo.about.regions]
    memory, at = demo.memory_before(0), -1
    time = frames[0].time / 1e9
    about = demo.about
    layouts = {name: text.replace("Tidewright", game) for name, text in about.layouts.items()}
    schema = about.schema.replace('name = "Tidewright"', f'name = "{game}"')
    with Recorder(target, replace(about, schema=schema, layouts=layouts)) as recorder:
        for index, place in enumerate(places):
            frame = frames[place]
            follows = place == at + 1 and index > 0
            time += max(1, place - at) / 60 if index else 0.0
            if place <= at:
                memory, at = demo.memory_before(0), -1
            for skipped in frames[at + 1 : place + 1]:
                memory.apply(skipped)
            at = place
            parts = frame.parts if follows else [p for span in spans for p in memory.known(span)]
            if index < unknown:
                parts = [(span, bytes(span.length)) for span in spans if not index]
            elif index == unknown:
                parts = [p for span in spans for p in memory.known(span)]
            recorder.frame(frame.number, time, frame.consistency, parts)
