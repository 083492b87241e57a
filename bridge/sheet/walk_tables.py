"""Walks: what each use of a move does to the position, step by step, with the constants' bits."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from bridge.expressions.arithmetic import degrees
from bridge.sheet.document import (
    Block,
    Cell,
    Points,
    Prose,
    Row,
    Section,
    Table,
    Text,
    aside,
    code,
    digits,
    joined,
    number,
    ours,
    strong,
    theirs,
)
from bridge.sheet.words import hexadecimal
from schemas.binary32_numbers import constant_pattern, is_constant
from schemas.walk_table import SineTable, WalkMoveTable, WalksTable, WalkStepTable

__all__ = ["walks_json", "walks_section"]

_MINUS = "\N{MINUS SIGN}"
_SIGNS = {"add": " + ", "subtract": f" {_MINUS} ", "multiply": " × ", "divide": " ÷ "}
_ROUNDED = (
    "Each result is rounded to a binary32 at once, before the next step takes it. Bits in brackets "
    "are those of the constant before them."
)


def walks_section(walks: WalksTable) -> Section:
    """The moves that change a position."""
    heads = (ours("move"), ours("in a use of it"))
    rows: list[Row] = []
    for name, move in walks.moves.items():
        rows.append(Row((Cell(_move_title(name, move), 2),), heading=True))
        rows += _step_rows(move.steps)
    blocks: list[Block] = [Prose(ours(_ROUNDED)), Table(heads, tuple(rows))]
    places = tuple(_places(walks))
    return Section(ours("Walks"), (*((Points(places),) if places else ()), *blocks))


def _places(walks: WalksTable) -> Iterator[Text]:
    """What the names in the steps stand for."""
    if walks.position:
        axes = joined(strong(axis) for axis in ("x", "y", "z"))
        yield (*axes, *ours(": the fields of "), *code(walks.position))
    if walks.facing:
        yield (*ours("the angle that is faced: "), *code(walks.facing))
    for name, expression in walks.variables.items():
        yield (*strong(name), *ours(": "), *code(expression))
    if walks.sine is not None:
        yield from _sine(walks.sine)


def _sine(sine: SineTable) -> Iterator[Text]:
    both = (*strong("sin"), *ours(" and "), *strong("cos"), *ours(" of the angle: "))
    if sine.math:
        yield (*both, *ours("the binary32 nearest to it"))
    elif sine.symbol is not None:
        yield (*both, *ours("the entry of "), *code(sine.symbol), *ours(" at or before it"))
    elif sine.table is not None:
        yield (*both, *ours(f"of {len(sine.table):,} entries, the one at or before it"))
    else:
        steps = joined((_step(step) for step in sine.steps or ()), "; ")
        angle = ours(" (angle as a signed number; the cosine is the sine a quarter turn on)")
        yield (*both, *steps, *angle)


def _move_title(name: str, move: WalkMoveTable) -> Text:
    frames = f"{move.frames:,} frame{'s' * (move.frames != 1)}"
    if move.frames > 1:
        frames += ", its steps in each" if move.each_frame else ", its steps in the first"
    if move.limit is not None:
        frames += f", at most {move.limit:,} time{'s' * (move.limit != 1)}"
    doc = (*ours(": "), *theirs(move.doc)) if move.doc else ()
    return (*theirs(name), *doc, *aside(f" ({frames})"))


def _step_rows(steps: tuple[WalkStepTable, ...]) -> Iterator[Row]:
    if not steps:
        yield Row((Cell(()), Cell(ours("nothing"))))
    for count, step in enumerate(steps, 1):
        yield Row((Cell(number(str(count))), Cell(_step(step))))


def _step(step: WalkStepTable) -> Text:
    """``x = x + 0.375 (3EC00000)``."""
    if step.turn is not None:
        return (*ours("turn by "), *_angle(step.turn, signed=True))
    if step.face is not None:
        return (*ours("face "), *_angle(step.face, signed=False))
    operation = step.operation
    operands = [_operand(each) for each in step.operands]
    result = (*strong(step.to or ""), *ours(" = "))
    if operation in _SIGNS:
        return (*result, *joined(operands, _SIGNS[operation]))
    if operation == "set":
        return (*result, *operands[0])
    if operation == "fused":
        one, two, three = operands
        once = ours(", rounded once")
        return (*result, *one, *ours(" × "), *two, *ours(" + "), *three, *once)
    if operation == "clamp":
        low, high = operands
        held = (*strong(step.to or ""), *ours(" brought between "))
        return (*result, *held, *low, *ours(" and "), *high)
    before = {"absolute": "magnitude of ", "negate": _MINUS, "square_root": "√ "}[operation]
    return (*result, *ours(before), *operands[0])


def _operand(operand: float | str) -> Text:
    if isinstance(operand, str) and not is_constant(operand):
        return strong(operand)
    pattern = f"{constant_pattern(operand):08X}"
    if isinstance(operand, str):
        return digits(pattern)
    return (*number(f"{operand}".replace("-", _MINUS)), *ours(" ("), *digits(pattern), *ours(")"))


def _angle(units: int, *, signed: bool) -> Text:
    sign = (_MINUS if units < 0 else "+") if signed else ""
    turned = f"{degrees(abs(units)):.2f}°"
    return (*digits(f"{sign}{hexadecimal(abs(units), 4)}"), *aside(f" {sign}{turned}"))


def walks_json(walks: WalksTable) -> dict[str, Any]:
    """The object for ``--json``: steps as the sheet words them."""
    return {
        "position": walks.position,
        "facing": walks.facing,
        "variables": dict(walks.variables),
        "moves": [
            {
                "move": name,
                "steps": ["".join(span.text for span in _step(step)) for step in move.steps],
                "frames": move.frames,
                "each_frame": move.each_frame,
                "limit": move.limit,
                "doc": move.doc,
            }
            for name, move in walks.moves.items()
        ],
    }
