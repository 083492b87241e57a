"""The function that tells how many frames the schema's moves take to turn."""

from __future__ import annotations

import ast
from collections.abc import Mapping
from typing import TYPE_CHECKING

from bridge.expressions import nodes
from bridge.solvers.turns import TURN, Move, cheapest
from bridge.values.value_type import INTEGER
from schemas.schema_file import MoveTable

if TYPE_CHECKING:
    from bridge.expressions.checker import Checker


def moves_of(tables: Mapping[str, MoveTable]) -> tuple[Move, ...]:
    """Moves as the search takes them."""
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


def turn_frames(checker: Checker, tree: ast.Call) -> nodes.Expr:
    moves = moves_of(checker.layout.moves)
    if not moves:
        checker.refuse(tree, "the schema has no moves; add [moves] to it")
    to, start = (checker.whole_number(part) for part in tree.args)
    return nodes.TurnFrames(checker.text(tree), INTEGER, cheapest(moves), to, start)
