"""The goals that wishes and layouts come to, as a plan's file keeps them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from bridge.planning.goal_of_layout import layouts_by_build
from bridge.planning.several_builds import SetOut
from bridge.planning.wishes import Sort, Wish, check_kind, field_offset
from bridge.prepared import PreparedBuild
from schemas.errors import PlanningError
from schemas.layout_file import LayoutFile
from schemas.plan_file import GoalTable

__all__ = ["of_builds", "wanted"]


def wanted(
    wishes: Sequence[Wish],
    layouts: Mapping[str, LayoutFile],
    found: SetOut,
    prepared: Mapping[str, PreparedBuild],
    heap: str = "",
) -> tuple[GoalTable, ...]:
    """The goals on every build that is set out from; *layouts* is a file's name → what it holds.

    *heap* is the name of the heap, empty for ``[heap]``.

    Raises LowhalfError where a kind is not known, and PlanningError where nothing can be there.
    """
    games = {build: start.game for build, start in found.starts.items()}
    for wish in wishes:
        if wish.kind:
            check_kind(wish.kind, games)
    goals = [
        _goal(wish, addresses, found, prepared, heap)
        for wish, addresses in zip(wishes, found.addresses, strict=True)
    ]
    goals += [
        GoalTable(
            sort="laid out",
            words=f"the heap as in {name}",
            given=f"--layout {name}",
            layouts=layouts_by_build(file, games),
        )
        for name, file in layouts.items()
    ]
    return tuple(goals)


def of_builds(goals: Sequence[GoalTable], builds: Sequence[str]) -> tuple[GoalTable, ...]:
    """The same goals on some of the builds."""
    return tuple(
        goal.model_copy(
            update={
                key: {build: found[build] for build in builds if build in found}
                for key in ("spans", "addresses", "layouts")
                if (found := getattr(goal, key))
            }
        )
        for goal in goals
    )


def _goal(
    wish: Wish,
    addresses: Mapping[str, int],
    found: SetOut,
    prepared: Mapping[str, PreparedBuild],
    heap: str,
) -> GoalTable:
    kind, where = wish.kind, wish.where
    if wish.sort is Sort.START:
        return _placed(wish, f"a {kind} at {where}", addresses, found)
    if wish.sort is Sort.FIELD:
        starts = {
            build: at - field_offset(prepared[build].layout, heap, kind, wish.field)
            for build, at in addresses.items()
        }
        return _placed(wish, f"{kind}.{wish.field} under {where}", starts, found)
    if wish.sort is Sort.COVER:
        words = f"a {kind} over {where}" if kind else f"some block over {where}"
        return GoalTable(
            sort="covered",
            words=words,
            given=wish.given,
            kind=kind or None,
            addresses=dict(addresses),
        )
    free = wish.sort is Sort.FREE
    return GoalTable(
        sort="freed" if free else "uncovered",
        words=f"{where} free" if free else f"no block over {where}",
        given=wish.given,
        addresses=dict(addresses),
    )


def _placed(wish: Wish, words: str, starts: Mapping[str, int], found: SetOut) -> GoalTable:
    for build, at in starts.items():
        arena, header = found.starts[build].arena, found.starts[build].game.policy.header
        if not arena.low + header <= at < arena.high:
            raise PlanningError(
                f"{wish.given}: the {wish.kind} would begin at 0x{at:08X} on {build}, where its "
                f"heap is from 0x{arena.low:08X} to 0x{arena.high - 1:08X}"
            )
    return GoalTable(
        sort="placed",
        words=words,
        given=wish.given,
        kind=wish.kind,
        spans={build: (at, at) for build, at in starts.items()},
    )
