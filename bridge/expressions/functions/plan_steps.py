"""``plan("name")``: what checks a call of it."""

from __future__ import annotations

import ast
from collections.abc import Sequence
from functools import partial

from bridge.expressions import nodes
from bridge.expressions.checker import Checker
from bridge.expressions.frame_functions.plan_steps import Course, PlanSteps
from bridge.heap.blocks import Block
from bridge.values.value_type import INTEGER
from schemas.errors import LowhalfError
from schemas.layout_file import MAX_BLOCKS
from schemas.toml_file import nearest

__all__ = ["plan"]


def plan(checker: Checker, tree: ast.Call) -> nodes.Expr:
    """``plan("name")``: checks a call of it."""
    name = checker.literal_text(tree.args[0], "a plan's name")
    checker.heap(tree)
    known = checker.layout.saved_plans
    if name not in known:
        hint = nearest(name, known) if known else "; name its file in [plan] of the bridge file"
        checker.refuse(tree.args[0], f"unknown plan {name}{hint}")
    file, course_of = known[name], checker.layout.course_of
    course: Course | None = None
    if file is not None and course_of is not None:
        try:
            course = course_of(checker.layout, file)
        except LowhalfError as fault:
            checker.refuse(tree, str(fault))
    slots = [] if course is None else map(checker.hidden_text, course.expressions)
    text = checker.text(tree)
    heap = checker.hidden_number(
        nodes.OfBlocks(f"the heap of {text}", INTEGER, partial(_number, course), MAX_BLOCKS)
    )
    return checker.over_frames(tree, [heap, *slots], INTEGER, partial(PlanSteps, course=course))


def _number(course: Course | None, blocks: Sequence[Block], complete: bool) -> int | None:
    return 0 if course is None else course.number(blocks, complete)
