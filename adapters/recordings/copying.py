"""A part of what was recorded, as a recording of its own."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

from adapters.recordings import topics
from adapters.recordings.frame_message import RecordedFrame
from adapters.recordings.header import About
from adapters.recordings.reader import Mark, Recording, open_recording
from adapters.recordings.recorded_memory import RecordedMemory
from adapters.recordings.recorder import Parts, Recorder
from bridge.memory.address_map import Span

__all__ = ["copy_part"]

_NANOSECONDS = 1_000_000_000


def copy_part(
    sources: Sequence[Path],
    target: Path,
    first_time: float,
    last_time: float,
    *,
    about: Callable[[About], About] = lambda about: about,
    readings: Callable[[dict[str, Any]], dict[str, Any]] = lambda told: told,
) -> int:
    """Write the frames from *first_time* to *last_time* (seconds since the Unix epoch).

    *sources* are recordings that follow each other; the last may still be written.  Readings,
    gaps and marks go along.  *about* and *readings* give what the copy says of itself, and of a
    frame, in place of what it was given.  Gives how many frames there are; without any, no file is
    made.  Raises OutputError, SourceError and its leaves.
    """
    first, last = round(first_time * _NANOSECONDS), round(last_time * _NANOSECONDS)
    recorder: Recorder | None = None
    count = 0
    try:
        for path in sources:
            recording = open_recording(path)
            for memory, frame, said in _frames(recording, first, last):
                if recorder is None:
                    marks = topics.MARKS in recording.channels.values()
                    recorder = Recorder(target, about(recording.about), marks=marks)
                    parts = _all(memory, recording)
                else:
                    parts = frame.parts
                    for told in said[topics.GAPS]:
                        recorder.gap(told["frame"], told["last"], told["missed"], told["reason"])
                recorder.frame(
                    *(frame.number, frame.time / _NANOSECONDS, frame.consistency, parts),
                    gone=frame.gone,
                    in_part=frame.in_part,
                )
                for told in said[topics.READINGS]:
                    recorder.readings(readings(told))
                for mark in said[topics.MARKS]:
                    recorder.mark(mark.frame, mark.name)
                count += 1
    finally:
        if recorder is not None:
            recorder.close()
    return count


def _all(memory: RecordedMemory, recording: Recording) -> Parts:
    spans = [Span(region.start, region.size) for region in recording.about.regions]
    return [part for span in spans for part in memory.known(span)]


def _frames(
    recording: Recording, first: int, last: int
) -> Iterator[tuple[RecordedMemory, RecordedFrame, Mapping[str, list[Any]]]]:
    """Each frame, the memory with it applied, and what is said of it, by topic."""
    group = recording.group_at(first)
    memory = recording.memory_before(group)
    marks: dict[int, list[Mark]] = {}
    for mark in recording.marks():
        marks.setdefault(mark.time, []).append(mark)
    gaps: dict[int, list[Any]] = {}
    for gap in recording.gaps(first, last):
        gaps.setdefault(gap.time, []).append(json.loads(gap.data))
    before = 0
    while group < len(recording.groups) and recording.groups[group].first_time <= last:
        readings: dict[int, list[Any]] = {}
        for reading in recording.readings(group):
            readings.setdefault(reading.time, []).append(json.loads(reading.data))
        for frame in recording.frames(group):
            memory.apply(frame)
            if first <= frame.time <= last:
                told = {
                    topics.GAPS: gaps.get(before, []),
                    topics.READINGS: readings.get(frame.time, []),
                    topics.MARKS: marks.get(frame.time, []),
                }
                yield memory, frame, told
            before = frame.time
        group += 1
