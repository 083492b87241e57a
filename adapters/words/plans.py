"""Plans in words: what each action changes, what it costs, how sure it is."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from schemas.plan_file import BlockAt, PlanFile, ProofTable

__all__ = [
    "change_words",
    "cost_words",
    "frames_words",
    "proof_words",
    "same_shape",
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


def proof_words(proof: ProofTable, best: int | None) -> str:
    """How sure it is; *best* is what the plan that was found costs, None where none was."""
    reason = f": {proof.reason}" if proof.reason else ""
    if proof.verdict == "cheapest":
        return f"no sequence is cheaper{reason}"
    if proof.verdict == "impossible":
        return f"impossible{reason}"
    if proof.verdict == "none within the bound":
        return f"none within the bound{reason}"
    floor = proof.floor or 0
    if best is None:
        return f"cut short{reason}; none was found, and none takes fewer than {floor:,} frames"
    return f"cut short{reason}; the cheapest takes between {floor:,} and {frames_words(best)}"


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


def same_shape(plan: PlanFile) -> bool:
    """Whether all builds have the same blocks in the same order, before and after each step."""
    layouts = [{build: start.blocks for build, start in plan.start.builds.items()}]
    layouts += [dict(step.layouts) for step in plan.steps]
    return all(
        len({tuple((b.owner, b.used) for b in blocks) for blocks in layout.values()}) == 1
        for layout in layouts
    )
