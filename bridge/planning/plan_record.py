"""A plan as its file keeps it, and what a file holds as planning takes it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from bridge.planning.arena import Arena
from bridge.planning.laid_blocks import arena_of, blocks_of
from bridge.planning.laid_out import pattern_of
from bridge.planning.model import (
    Covered,
    Freed,
    GameModel,
    Goal,
    LaidOut,
    Placed,
    Start,
    Task,
    Uncovered,
)
from bridge.planning.outcome import Outcome, Plan
from bridge.planning.policy import Policy
from schemas.plan_file import (
    BlockAt,
    BuildStart,
    GoalTable,
    MadeForTable,
    PlanFile,
    ProofTable,
    StartTable,
    StepTable,
)

__all__ = ["goal_from", "goals_of", "recorded", "starts_of"]


def recorded(
    task: Task,
    plan: Plan,
    outcome: Outcome,
    *,
    game: str,
    heap: str = "",
    goals: Sequence[GoalTable],
    made: MadeForTable,
    taken_from: Mapping[str, str],
    avoid: Sequence[str] = (),
    most_precise: int | None = None,
) -> PlanFile:
    """The file of one of an outcome's plans.

    *made* holds the digests of all builds of the task, *taken_from* says in words where each
    build's start was read.
    """
    policies = {start.game.build: start.game.policy for start in task.starts}
    builds = list(policies)
    return PlanFile(
        game=game,
        heap=heap,
        frames=plan.frames,
        precise=plan.precise,
        avoid=tuple(avoid),
        most_precise=most_precise,
        made_for=MadeForTable(
            actions=made.actions, builds={build: made.builds[build] for build in builds}
        ),
        proof=ProofTable(verdict=outcome.verdict.value, floor=outcome.floor, reason=outcome.reason),
        goals=tuple(goals),
        start=StartTable(
            states=dict(task.states),
            builds={
                start.game.build: _start(start, taken_from[start.game.build])
                for start in task.starts
            },
        ),
        steps=tuple(
            StepTable(
                action=step.action,
                frames=step.frames,
                precise=step.precise,
                states=dict(step.states),
                layouts={build: blocks_of(step.after[build], policies[build]) for build in builds},
            )
            for step in plan.steps
        ),
    )


def _start(start: Start, taken_from: str) -> BuildStart:
    arena, header = start.arena, start.game.policy.header
    return BuildStart(
        taken_from=taken_from,
        arena=(arena.low, arena.high),
        rover=arena.rover,
        held=None if arena.held is None else arena.held + header,
        blocks=blocks_of(arena, start.game.policy, ages=True),
    )


def starts_of(file: PlanFile, games: Mapping[str, GameModel]) -> tuple[Start, ...]:
    """The starts that a file holds; *games* are the schema's, by build.

    Raises ValueError where one cannot be.
    """
    return tuple(
        Start(games[build], _arena(start.blocks, games[build].policy, start))
        for build, start in file.start.builds.items()
    )


def _arena(blocks: Sequence[BlockAt], policy: Policy, start: BuildStart) -> Arena:
    return arena_of(blocks, policy, start.arena, start.rover, start.held)


def goals_of(goals: Sequence[GoalTable]) -> tuple[Goal, ...]:
    """The goals that a file holds, as planning takes them."""
    return tuple(map(goal_from, goals))


def goal_from(table: GoalTable) -> Goal:
    """One goal of a file."""
    if table.sort == "placed":
        return Placed(table.kind, table.spans)
    if table.sort == "covered":
        return Covered(table.kind, table.addresses)
    if table.sort == "freed":
        return Freed(table.addresses)
    if table.sort == "uncovered":
        return Uncovered(table.addresses)
    return LaidOut({build: pattern_of(blocks) for build, blocks in table.layouts.items()})
