"""Digests of what a plan hangs on in a schema, so that one made for another is told as such."""

from __future__ import annotations

import dataclasses
import hashlib
import json
from collections.abc import Iterable, Mapping
from typing import Any

from bridge.planning.actions import Action
from bridge.planning.model import GameModel
from schemas.plan_file import MadeForTable

__all__ = ["differs", "made_for"]


def made_for(actions: Iterable[Action], games: Iterable[GameModel]) -> MadeForTable:
    """The digests of the actions and of each build's allocator and sizes.

    Texts for people and the order in which names stand play no part.
    """
    listed = sorted(actions, key=lambda action: action.name)
    plain = [dataclasses.asdict(dataclasses.replace(action, doc="")) for action in listed]
    effects = [[type(effect).__name__ for effect in action.effects] for action in listed]
    return MadeForTable(
        actions=_digest([plain, effects]),
        builds={game.build: _digest(dataclasses.asdict(game)) for game in games},
    )


def differs(recorded: MadeForTable, present: MadeForTable, build: str) -> str:
    """What of the schema is not as it was when the plan was made, for one build; empty for nothing.

    *present* has the digests of all builds that the schema describes allocations of.
    """
    if build not in recorded.builds:
        made = ", ".join(recorded.builds)
        return f"it was made for {made}, not for {build}"
    if recorded.actions != present.actions:
        return "it was made for other [actions] or [state]"
    if recorded.builds[build] != present.builds.get(build):
        return f"it was made for another [allocator] or other sizes of {build}"
    return ""


def _digest(value: Any) -> str:
    text = json.dumps(value, sort_keys=True, default=_plain)
    return hashlib.sha256(text.encode()).hexdigest()[:16]


def _plain(value: Any) -> Any:
    assert isinstance(value, Mapping)
    return dict(value)
