"""Actions of Tidewright's schema against what the guest itself came to.

The sample dumps are the running guest's memory (``tests/guest/make_samples.py``), so each pair of
dumps with a door between them says where the game put the next room's things.
"""

from __future__ import annotations

import asyncio
from functools import lru_cache
from pathlib import Path

import pytest

from adapters.functions import installed_functions
from adapters.sessions.bridge_file import load_bridge
from adapters.sessions.one_frame import take_frame
from bridge.planning.described import Described, described, planning_build
from bridge.planning.model import Task
from bridge.planning.simulation import begin, perform
from bridge.planning.start_of_frame import Begun, start_of
from bridge.prepared import prepare

SAMPLES = Path(__file__).parents[1] / "sample_dumps"


@lru_cache
def begun(sample: str) -> tuple[Described, Begun]:
    bridge = load_bridge(SAMPLES / f"{sample}.bridge.toml")
    ready = prepare(bridge, installed_functions())
    planning = {name: planning_build(prepared) for name, prepared in ready.items()}
    frame = asyncio.run(take_frame(bridge, planning, 10, tell=print))
    found = described(ready[frame.build])
    return found, start_of(frame, found)


@pytest.mark.parametrize(
    ("sample", "names", "after"),
    [
        ("first-print-carry", ["gallery_door"], "first-print-stale-hold"),
        ("first-print-carry", ["stair_door"], "first-print-mist-stair"),
        ("second-print-carry", ["gallery_door", "harbour_door"], "second-print-harbour"),
        ("second-print-stale-hold", ["call_gull"], "second-print-stale-reuse"),
        ("export-carry", ["gallery_door"], "export-stale-hold"),
        ("export-carry", ["stair_door"], "export-mist-stair"),
        (
            "first-print-mist-stair",
            ["harbour_door", "gallery_door", "lantern_door"],
            "first-print-carry",
        ),
    ],
)
def test_the_guest_has_its_blocks_where_the_actions_put_them(
    sample: str, names: list[str], after: str
) -> None:
    found, start = begun(sample)
    _, there = begun(after)
    actions = {action.name: action for action in found.actions}
    task = Task((start.start,), start.states, found.actions, ())
    moment = begin(task)
    for name in names:
        moment = perform(actions[name], moment, task)
    cells = [(c.start, c.stride, c.kind) for c in moment.arenas[found.game.build].cells]
    assert cells == [(c.start, c.stride, c.kind) for c in there.start.arena.cells]
    assert moment.states == there.states
