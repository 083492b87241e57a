"""Plans in words: what each action changes, what it costs, how sure it is."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import groupby

from schemas.plan_file import BlockAt, PlanFile, ProofTable

__all__ = [
    "alike",
    "change_words",
    "cost_words",
    "frames_words",
    "proof_words",
    "runs_words",
    "states_words",
]


def frames_words(frames: int) -> str:
    """``1 frame``, ``1,200 frames``."""
    return f"{frames:,} frame{'s' * (frames != 1)}"


def cost_words(frames: int, precise: int) -> str:
    """Frames, and the inputs that must be right to the frame where there are any."""
    if not precise:
        return frames_words(frames)
    return f"{frames_words(frames)}, {precise} input{'s' * (precise != 1)} right to the frame"


def proof_words(proof: ProofTable) -> str:
    """How sure it is that nothing is cheaper, and why."""
    words = "no sequence is cheaper" if proof.verdict == "cheapest" else proof.verdict
    return f"{words}: {proof.reason}" if proof.reason else words


def runs_words(actions: Sequence[str]) -> str:
    """Actions in their order, those that follow themselves with how often they do."""
    runs = [(name, len(list(group))) for name, group in groupby(actions)]
    return ", ".join(name if count == 1 else f"{count} × {name}" for name, count in runs)


def change_words(before: Sequence[BlockAt], after: Sequence[BlockAt]) -> str:
    """Where blocks are that were not, and are not that were; holes are what is left, not told."""
    old, new = _places(before), _places(after)
    parts = []
    for what, places in (("released", old - new), ("handed out", new - old)):
        told = [f"{owner} 0x{start:08X}" for owner, start, _ in sorted(places, key=lambda p: p[1])]
        if told:
            parts.append(f"{what}: {', '.join(told)}")
    return "; ".join(parts) or "every block is where one of its kind was"


def states_words(before: Mapping[str, int], after: Mapping[str, int]) -> str:
    """Which states have become others."""
    changed = {name: value for name, value in after.items() if before.get(name) != value}
    return ", ".join(f"{name} becomes {value}" for name, value in changed.items())


def _places(blocks: Sequence[BlockAt]) -> set[tuple[str, int, int]]:
    return {(block.owner, block.start, block.size) for block in blocks if block.used}


def alike(plan: PlanFile) -> list[list[str]]:
    """The builds in groups that have the same blocks in the same order before and after each step.

    The builds of a group differ in addresses and sizes alone.
    """
    groups: dict[object, list[str]] = {}
    for build, start in plan.start.builds.items():
        layouts = [start.blocks, *(step.layouts[build] for step in plan.steps)]
        shape = tuple(tuple((b.owner, b.used) for b in blocks) for blocks in layouts)
        groups.setdefault(shape, []).append(build)
    return list(groups.values())
