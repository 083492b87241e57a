"""A schema's moves as the search for turns takes them."""

from __future__ import annotations

from collections.abc import Mapping

from bridge.solvers.turns import TURN, Move
from schemas.turn_table import MoveTable

__all__ = ["moves_of"]


def moves_of(tables: Mapping[str, MoveTable]) -> tuple[Move, ...]:
    """Moves as the search takes them, in the order of *tables* (name → move)."""
    return tuple(
        Move(
            name,
            move.add or 0,
            None if move.set is None else move.set % TURN,
            move.frames,
            move.limit,
        )
        for name, move in tables.items()
    )
