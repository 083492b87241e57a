"""What of walks has a say in one coordinate: the steps, names and angle that lead to it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from bridge.solvers.walks.model import COSINE, SINE, Step, Walks

__all__ = ["Kept", "kept_for"]

_TURNING = ("turn", "face")


@dataclass(frozen=True, slots=True)
class Kept:
    """``changing`` are lasting names that some move changes, ``still`` those that are only read.

    ``facing`` is whether the angle matters and changes; ``steps`` are those that matter, by the
    move's number, without moves that have none.
    """

    changing: tuple[str, ...]
    still: tuple[str, ...]
    facing: bool
    steps: Mapping[int, tuple[Step, ...]]


def kept_for(walks: Walks, axis: str) -> Kept:
    """What matters for *axis*: every name that a kept step reads is kept, until no more come."""
    lasting = set(walks.lasting)
    shared = {axis}
    own: list[set[str]] = [set() for _ in walks.moves]
    known = -1
    while known != (known := len(shared) + sum(map(len, own))):
        for move, names in zip(walks.moves, own, strict=True):
            for step in reversed(move.steps):
                if step.to not in (shared if step.to in lasting else names):
                    continue
                read = {each for each in step.operands if isinstance(each, str)}
                shared |= read & (lasting | {SINE, COSINE})
                names |= read - lasting - {SINE, COSINE}
    faced = bool(shared & {SINE, COSINE})
    steps = {
        number: kept
        for number, (move, names) in enumerate(zip(walks.moves, own, strict=True))
        if (
            kept := tuple(
                step
                for step in move.steps
                if step.to in (shared if step.to in lasting else names)
                or (faced and step.operation in _TURNING)
            )
        )
    }
    made = {step.to for each in steps.values() for step in each}
    return Kept(
        tuple(name for name in walks.lasting if name in shared and name in made),
        tuple(name for name in walks.lasting if name in shared and name not in made),
        faced and any(s.operation in _TURNING for each in steps.values() for s in each),
        steps,
    )
