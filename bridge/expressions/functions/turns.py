"""``turn_frames``: the least frames in which the schema's moves turn from an angle to another."""

from __future__ import annotations

import ast
from functools import partial

from bridge.expressions import nodes
from bridge.expressions.arithmetic import Undefined
from bridge.expressions.checker import Checker
from bridge.solvers.turning_moves import moves_of
from bridge.solvers.turns import CheapestTurns, cheapest
from bridge.values.value_type import INTEGER

__all__ = ["turn_frames"]


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
