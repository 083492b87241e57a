"""What the steps of ``[walks]`` may use: every name that is read was made before, or is known."""

from __future__ import annotations

from collections.abc import Iterable, Sequence, Set

from schemas.binary32_numbers import is_constant
from schemas.toml_file import TomlText, nearest
from schemas.toml_lines import Key
from schemas.walk_table import (
    ANGLE,
    COORDINATES,
    COSINE,
    SINE,
    WalksTable,
    WalkStepTable,
)

__all__ = ["check_walks"]


def check_walks(walks: WalksTable, text: TomlText, *, alone: bool = False) -> None:
    """Refuse names that nothing makes.  Raises the file's error, with the line in *text*.

    *alone* is a file without a game, where nothing stands in memory, but a position may be given.
    """
    path: tuple[Key, ...] = ("walks",)
    coordinates = COORDINATES if alone or walks.position is not None else ()
    for name in walks.variables:
        if name in (*COORDINATES, SINE, COSINE, ANGLE):
            raise text.error((*path, "variables", name), f"{name} has a meaning already")
    lasting = {*coordinates, *walks.variables}
    if walks.sine is not None and walks.sine.steps is not None:
        key = (*path, "sine", "steps")
        _check_steps(walks.sine.steps, {ANGLE}, key, text, turning=False)
        if not walks.sine.steps or walks.sine.steps[-1].to != SINE:
            raise text.error(key, f"the last step makes no `{SINE}`")
    faced = {SINE, COSINE} if walks.sine is not None else set()
    for name, move in walks.moves.items():
        key = (*path, "moves", name, "steps")
        for step in move.steps:
            if step.to in (SINE, COSINE, ANGLE):
                raise text.error(key, f"{step.to} is of the angle that is faced; turn or face it")
        _check_steps(move.steps, lasting | faced, key, text, turning=True)


def _check_steps(
    steps: Sequence[WalkStepTable],
    known: Iterable[str],
    path: tuple[Key, ...],
    text: TomlText,
    *,
    turning: bool,
) -> None:
    names = set(known)
    for number, step in enumerate(steps):
        key = (*path, number)
        if step.to is None and not turning:
            raise text.error(key, "the steps of a sine neither turn nor face")
        if step.operation == "clamp":
            _check_clamp(step, names, key, text)
        for operand in step.operands:
            if isinstance(operand, str) and not is_constant(operand) and operand not in names:
                hint = nearest(operand, names)
                if operand in (SINE, COSINE):
                    hint = "; add [walks.sine], which says how the game makes it"
                raise text.error((*key, step.operation), f"unknown name {operand}{hint}")
        if step.to is not None:
            names.add(step.to)


def _check_clamp(
    step: WalkStepTable, names: Set[str], key: tuple[Key, ...], text: TomlText
) -> None:
    if step.to not in names:
        raise text.error((*key, "to"), f"unknown name {step.to}{nearest(str(step.to), names)}")
    low, high = step.operands
    if not isinstance(low, str) and not isinstance(high, str) and low > high:
        raise text.error((*key, "clamp"), f"no number is from {low} to {high}")
