"""From the schema's ``[walks]`` to walks as the search takes them."""

from __future__ import annotations

from collections.abc import Sequence

from bridge.solvers.walks.model import Float32s, Step, WalkMove, Walks
from bridge.solvers.walks.sines import sine_by_steps, sine_by_table, sine_rounded
from schemas.binary32_numbers import constant_pattern, is_constant
from schemas.walk_table import COORDINATES, COSINE, SINE, SineTable, WalksTable, WalkStepTable

__all__ = ["lasting_names", "uses_facing", "walks_of"]


def walks_of(table: WalksTable, entries: Sequence[int] | None = None) -> Walks:
    """Walks of a checked table.

    *entries* are the patterns of a table of sines that stands in the game's memory.  Raises
    ValueError where that is needed and not given, or where it has not 2 to the N entries.
    """
    moves = tuple(
        WalkMove(name, _steps(move.steps), move.frames, move.each_frame, move.limit)
        for name, move in table.moves.items()
    )
    used = any(
        operand in (SINE, COSINE)
        for move in moves
        for step in move.steps
        for operand in step.operands
    )
    sine = _sine(table.sine, entries) if used and table.sine is not None else None
    return Walks(moves, lasting_names(table), sine)


def lasting_names(table: WalksTable) -> tuple[str, ...]:
    """Coordinates and variables that a move reads or changes, in the order of the schema."""
    steps = [step for move in table.moves.values() for step in move.steps]
    named = {name for step in steps for name in (step.to, *step.operands)}
    return tuple(name for name in (*COORDINATES, *table.variables) if name in named)


def uses_facing(table: WalksTable) -> bool:
    """Whether a move uses the sine or cosine of the angle that is faced."""
    steps = [step for move in table.moves.values() for step in move.steps]
    return any(each in (SINE, COSINE) for step in steps for each in step.operands)


def _sine(table: SineTable, entries: Sequence[int] | None) -> Float32s:
    if table.math is not None:
        return sine_rounded()
    if table.steps is not None:
        return sine_by_steps(_steps(table.steps))
    if table.table is not None:
        return sine_by_table([constant_pattern(each) for each in table.table])
    if entries is None:
        raise ValueError(
            f"the table of sines, {table.symbol}, stands in the game's memory: give --bridge"
        )
    return sine_by_table(entries)


def _steps(tables: Sequence[WalkStepTable]) -> tuple[Step, ...]:
    return tuple(
        Step(
            table.operation,
            table.to or "",
            tuple(
                each if isinstance(each, str) and not is_constant(each) else constant_pattern(each)
                for each in table.operands
            ),
            table.turn or table.face or 0,
        )
        for table in tables
    )
