"""A function of the expression language: how it is called, and what checks a call of it."""

from __future__ import annotations

import ast
from collections.abc import Callable
from dataclasses import dataclass

from bridge.expressions import nodes
from bridge.expressions.checker import Checker

__all__ = ["Check", "Function"]

Check = Callable[[Checker, ast.Call], nodes.Expr]
"""Makes a typed node of a call; refuses wrong arguments by ``checker.refuse``.

How many arguments there are was looked at before.
"""


@dataclass(frozen=True, slots=True)
class Function:
    """A function that expressions can call.

    ``form`` shows the call and begins with the function's name and a bracket; ``gives`` says what
    it gives; ``counts`` is least and most arguments.  ``over_frames`` is whether it keeps state
    from frame to frame, so that it can stand neither in a list nor in the schema's heap.
    """

    form: str
    gives: str
    counts: tuple[int, int]
    check: Check
    over_frames: bool = False
