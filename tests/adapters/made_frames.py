"""Watches, readings and frames made by hand for the tests of outputs."""

from __future__ import annotations

import time
from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager

from adapters.outputs.web.server import OverlayServer
from bridge.readings.frame import Frame, Stats
from bridge.readings.reading import Reading, Watch
from bridge.values.status import Status
from bridge.values.target import near
from bridge.values.value_type import FLOAT, INTEGER, Kind, ValueType
from tests.adapters.running import running

U16 = ValueType(Kind.INTEGER, 16, name="u16")

OIL = Watch("oil", "Lamp oil", "courier.oil", INTEGER)
EAST = Watch(
    "east", "East of the pier", "courier.position.x", FLOAT, "fixed:2", near(120.0, 0.5, FLOAT)
)
HALF = Watch("held_x_low", "Written half", "low(courier.held.position.x)", U16, "hex")


def frame(number: int, readings: Sequence[Reading], note: str = "") -> Frame:
    """A frame of now with the given readings."""
    made = list(readings)
    return Frame(
        number=number,
        time=time.time(),
        build="first-print",
        source="fake pier",
        consistency="guarded",
        make_readings=lambda: made,
        stats=Stats(frames=number, skipped=2, torn=1),
        note=note,
    )


def good(watch: Watch, value: int | float | bool | str, address: int | None = None) -> Reading:
    return Reading(watch, Status.OK, value, address)


def three(number: int) -> Frame:
    """A value, one with a target, and one behind a null pointer."""
    return frame(
        number,
        [
            good(OIL, number, 0x80102A40),
            good(EAST, 117.25, 0x80102A6C),
            Reading(HALF, Status.NULL, reason="courier.held is null"),
        ],
    )


def forty(number: int) -> Frame:
    """Forty watches, of which the first counts."""
    watches = [Watch(f"buoy_{i}", f"Buoy {i}", f"buoys[{i}].height", INTEGER) for i in range(40)]
    return frame(number, [good(watch, number + i) for i, watch in enumerate(watches)])


@asynccontextmanager
async def listening(server: OverlayServer) -> AsyncIterator[OverlayServer]:
    """The server while it listens; it is stopped at the end."""
    async with running(server):
        await server.listening.wait()
        yield server
