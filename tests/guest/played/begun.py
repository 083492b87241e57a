"""Where lowhalf says that planning begins in a running played game."""

from __future__ import annotations

import asyncio
from pathlib import Path

from adapters.functions import installed_functions
from adapters.sessions.one_frame import take_frame
from bridge.planning.described import Described, described, planning_build
from bridge.planning.start_of_frame import Begun, start_of
from bridge.prepared import prepare
from tests.guest.played.guest import PlayedGuest


def begun_in(guest: PlayedGuest, directory: Path) -> tuple[Described, Begun]:
    """What lowhalf takes the running game for, by its schema alone."""
    bridge = guest.live_bridge(directory)
    ready = prepare(bridge, installed_functions())
    planning = {name: planning_build(prepared) for name, prepared in ready.items()}
    frame = asyncio.run(take_frame(bridge, planning, 10, tell=print))
    found = described(ready[frame.build])
    return found, start_of(frame, found)
