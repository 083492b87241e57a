"""``turn_frames``: the least frames in which the schema's moves turn from an angle to another."""

from __future__ import annotations

import ast
from collections.abc import Mapping
from functools import partial

from bridge.expressions import nodes
from bridge.expressions.arithmetic import Undefined
from bridge.expressions.checker import Checker
from bridge.solvers.turns import TURN, CheapestTurns, Move, cheapest
from bridge.values.value_type import INTEGER
from schemas.schema_file import MoveTable

__all__ = ["moves_of", "turn_frames"]


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
    """``turn_frames(a, b)``: checks a call of it, which needs the schema's moves."""
    moves = moves_of(checker.layout.moves)
    if not moves:
        checker.refuse(tree, "the schema has no moves; add [moves] to it")
    to, start = (checker.whole_number(part) for part in tree.args)
    call = partial(_frames, cheapest(moves))
    return nodes.Apply(checker.text(tree), INTEGER, call, (to, start), statements=0, bits=32)


def _frames(turns: CheapestTurns, to: int, start: int) -> int:
    frames = turns.frames(start, to)
    if frames is None:
        raise Undefined("no moves of the schema lead there")
    return frames
