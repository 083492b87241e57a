"""Plans as JSON."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from schemas.plan_file import BlockAt, PlanFile, ProofTable

__all__ = ["blocks_json", "plan_json", "steps_json"]


def blocks_json(blocks: Sequence[BlockAt]) -> list[dict[str, Any]]:
    """Blocks as ``lowhalf heap --json`` has them."""
    return [{"start": b.start, "size": b.size, "used": b.used, "owner": b.owner} for b in blocks]


def steps_json(plan: PlanFile) -> list[dict[str, Any]]:
    """The steps, with the layout of each build after each."""
    return [
        {
            "action": step.action,
            "frames": step.frames,
            "layout": {build: blocks_json(blocks) for build, blocks in step.layouts.items()},
            "precise": step.precise,
            "states": dict(step.states),
        }
        for step in plan.steps
    ]


def plan_json(
    proof: ProofTable,
    plan: PlanFile | None,
    start: Mapping[str, Sequence[BlockAt]],
    goals: Sequence[str],
    others: Sequence[PlanFile] = (),
    front: Sequence[PlanFile] = (),
) -> dict[str, Any]:
    """The plan for some builds as ``lowhalf plan --json`` prints it.

    *start* has the blocks before the first step by build, *goals* are in words; *others* and
    *front* are further plans, told by their actions alone.
    """
    return {
        "found": plan is not None,
        "proved": proof.verdict != "cut short",
        "frames": None if plan is None else plan.frames,
        "floor": proof.floor,
        "steps": [] if plan is None else steps_json(plan),
        "reason": proof.reason,
        "verdict": proof.verdict,
        "precise": None if plan is None else plan.precise,
        "builds": list(start),
        "goals": list(goals),
        "start": {build: blocks_json(blocks) for build, blocks in start.items()},
        "others": [_short(each) for each in others],
        "front": [_short(each) for each in front],
    }


def _short(plan: PlanFile) -> dict[str, Any]:
    actions = [step.action for step in plan.steps]
    return {"frames": plan.frames, "precise": plan.precise, "actions": actions}
