"""A recording of a courier who practises, with a bridge file whose steps and attempts follow it."""

from __future__ import annotations

import struct
from collections.abc import Collection, Iterator
from pathlib import Path

from adapters.recordings.changed_lines import changed_lines
from adapters.recordings.header import About
from adapters.recordings.recorder import Parts, Recorder
from bridge.memory.address_map import Region, Span
from bridge.ports.source import Consistency

BASE, SIZE = 0x8000_0000, 0x2000
RATE = 60

SCHEMA = """
[game]
name = "Tidewright"
[memory]
endian = "big"
regions = [ { name = "ram", start = 0x8000_0000, size = 0x2000 } ]
[symbols]
frame = "u32"
lap = "u32"
corner = "u32"
door = "u32"
fell = "u32"
token = "u32"
[builds.print]
recognise = [ { at = 0x8000_0400, text = "TIDE 1.0" } ]
at.frame = 0x8000_1000
at.lap = 0x8000_1004
at.corner = 0x8000_1008
at.door = 0x8000_100C
at.fell = 0x8000_1010
at.token = 0x8000_1014
"""
BRIDGE = """
schema = "p.schema.toml"
[source]
kind = "recording"
path = "p.mcap"
speed = SPEED
repeat = REPEAT
[sampling]
frame = "frame"
[[watches]]
name = "half"
expr = "low(token)"
show = "hex"
[[watches]]
name = "common"
expr = "tally(half, corner == 1)"
[[steps]]
name = "corner"
done = "corner"
fail = "fell"
hint = "hug the wall"
[[steps]]
name = "door"
done = "door"
fail = "fell"
[attempts]
begins = "change(lap) > 0"
keep = ["half"]
"""

LAP = 30
"""Frames of a lap: the start, the corner after 10, the door or the fall after 25."""
HALVES = (0x2B6D, 0x2B6D, 0x1111, 0x2B6D, 0x2B6D, 0x1111)
"""What the token's low half is at the corner of each lap; where it is another, the lap fails."""


def images(laps: int = len(HALVES)) -> Iterator[tuple[int, bytes]]:
    """Each frame's number and memory."""
    image = bytearray(SIZE)
    image[0x400:0x408] = b"TIDE 1.0"
    number = 100
    for lap in range(laps):
        half = HALVES[lap % len(HALVES)]
        good = half == 0x2B6D
        for frame in range(LAP):
            corner, late = frame >= 10, frame >= 25
            values = (number, lap, corner, late and good, late and not good, 0x5A5A_0000 | half)
            struct.pack_into(">6I", image, 0x1000, *values)
            yield number, bytes(image)
            number += 1


def write(
    directory: Path,
    *,
    speed: float = 20,
    repeat: bool = False,
    laps: int = len(HALVES),
    missing: Collection[int] = (),
) -> Path:
    """The schema, the recording and the bridge file; gives the last one's path.

    Frames whose numbers are in *missing* are not recorded.

    The first lap is never seen to start, so there is an attempt a lap from the second on.
    """
    (directory / "p.schema.toml").write_text(SCHEMA, "utf-8")
    path = directory / "p.bridge.toml"
    text = BRIDGE.replace("SPEED", str(speed)).replace("REPEAT", str(repeat).lower())
    path.write_text(text, "utf-8")
    about = About(SCHEMA, BRIDGE, "print", "made", [Region("ram", BASE, SIZE)])
    before = b""
    with Recorder(directory / "p.mcap", about) as recorder:
        for count, (number, image) in enumerate(images(laps)):
            time = 1000 + count / RATE
            if number in missing:
                continue
            whole: Parts = [(Span(BASE, SIZE), image)]
            parts = changed_lines(BASE, before, image) if before else whole
            recorder.frame(number, time, Consistency.SENDER, parts)
            before = image
    return path
