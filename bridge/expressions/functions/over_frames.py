"""Functions over frames: what checks a call, for the machines of ``frame_functions``."""

from __future__ import annotations

import ast
from collections.abc import Callable
from functools import partial

from bridge.expressions import nodes
from bridge.expressions.checker import Checker
from bridge.expressions.frame_functions.frame_before import Change
from bridge.expressions.frame_functions.frame_function import FrameFunction
from bridge.expressions.frame_functions.summaries import Average
from bridge.expressions.functions.function import Check
from bridge.values.value_type import FLOAT, INTEGER, Kind, ValueType

__all__ = ["MAX_AVERAGE", "average", "change", "over_frames"]

MAX_AVERAGE = 36_000


def over_frames(
    make: Callable[[str], FrameFunction],
    kind: ValueType | None = None,
    *,
    conditions: tuple[int, ...] = (),
    texts: bool = False,
) -> Check:
    """A function over frames whose state machine *make* gives.

    *conditions* are the positions of truth values among the arguments; the others may be texts
    where *texts* says so.  Without a *kind* it gives what its first argument is.
    """

    def check(checker: Checker, tree: ast.Call) -> nodes.Expr:
        slots = [checker.hidden(part) for part in tree.args]
        kinds = [checker.type_of(slot) for slot in slots]
        for position, (part, found) in enumerate(zip(tree.args, kinds, strict=True)):
            if found.kind is Kind.TEXT and not (texts and position not in conditions):
                checker.refuse(part, "is a text, expected a number")
        return checker.over_frames(tree, slots, kind or kinds[0], make)

    return check


def change(checker: Checker, tree: ast.Call) -> nodes.Expr:
    """``change(x)``: a number now minus the same a frame ago."""
    slot = checker.hidden(tree.args[0])
    found = checker.type_of(slot)
    if found.kind is Kind.TEXT:
        checker.refuse(tree.args[0], "is a text, which has no difference")
    kind = FLOAT if found.kind is Kind.FLOAT else INTEGER
    return checker.over_frames(tree, [slot], kind, Change)


def average(checker: Checker, tree: ast.Call) -> nodes.Expr:
    """``average(x, n)``: the mean of a number over n frames."""
    slot = checker.hidden(tree.args[0])
    if checker.type_of(slot).kind is Kind.TEXT:
        checker.refuse(tree.args[0], "is a text, expected a number")
    count = checker.constant(tree.args[1], 1, MAX_AVERAGE)
    return checker.over_frames(tree, [slot], FLOAT, partial(Average, count=count))
