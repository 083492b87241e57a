"""Expressions of the demo game by chance: every operator, in every order of brackets."""

from __future__ import annotations

import random

__all__ = ["formula"]

_WHOLE = [
    *("courier.mood", "courier.room", "courier.layer", "courier.lean", "courier.hue"),
    *("courier.facing", "courier.token_low", "low(courier.position.x)", "byte(courier.token, 2)"),
    *("actor_head.kind", "actor_head.layer", "actor_head.next.kind", "courier.trim[1]"),
    *("current_room.tiles[2][3]", "current_room.tiles[courier.room % 4][1]", "courier.tide"),
    *("rooms[current_room.index].visits", "0", "1", "7", "0xFF", "ActorKind.crate"),
]
_FLOATS = [
    *("courier.position.x", "courier.position.z", "courier.speed", "actor_head.position.y"),
    *("courier.longitude", "ledger.wage", "courier.buoyancy", "0.5", "3.25"),
]
_OF_EACH = ["a.kind", "a.layer", "a.timer", "a.position.x", "low(a.position.z)", "a.mood + a.room"]


def formula(draw: random.Random, depth: int = 4) -> str:
    """A number or a truth value."""
    return draw.choice([_whole, _number, _truth])(draw, depth)


def _whole(draw: random.Random, depth: int) -> str:
    if depth <= 0 or draw.random() < 0.15:
        return draw.choice(_WHOLE)
    one, two = _whole(draw, depth - 1), _whole(draw, depth - 1)
    return draw.choice(
        [
            *(f"{one} {op} {two}" for op in ("+", "-", "*", "&", "|", "^")),
            *(f"({one}) {op} ({two})" for op in ("+", "-", "*", "&", "|", "^")),
            *(f"{one} - ({two})", f"({one}) // 7", f"({one}) % 5", f"-({one})", f"~({one})"),
            *(f"({one}) ** 2", f"({one}) << 3", f"({one}) >> 2", f"abs({one})"),
            *(f"signed({one}, 16)", f"unsigned({one}, 9)", f"turn({one}, {two})"),
            *(f"min({one}, {two})", f"max({one}, {two}, 4)"),
            f"({one} if {_truth(draw, depth - 2)} else {two})",
            f'len([a for a in chain(actor_head, "next") if {_of_one(draw, depth - 2)}])',
            f'sum([{draw.choice(_OF_EACH[:3])} for a in chain(actor_head, "next")])',
        ]
    )


def _number(draw: random.Random, depth: int) -> str:
    if depth <= 0 or draw.random() < 0.15:
        return draw.choice(_FLOATS)
    one, two = _number(draw, depth - 1), _whole(draw, depth - 1)
    return draw.choice(
        [
            *(f"{one} {op} ({two})" for op in ("+", "-", "*")),
            *(f"{one} - {one} - ({two})", f"({one}) * ({two})", f"({one}) / 3", f"-({one})"),
            *(f"hypot({one}, {two})", f"sqrt(abs({one}))", f"degrees({two})", f"cos({two})"),
            f"({one} if {_truth(draw, depth - 2)} else {two})",
            f'max([{draw.choice(_OF_EACH)} for a in chain(actor_head, "next")])',
            "distance(courier.position, actor_head.position)",
        ]
    )


def _truth(draw: random.Random, depth: int) -> str:
    one, two = _whole(draw, depth - 1), _whole(draw, depth - 1)
    if depth <= 0 or draw.random() < 0.4:
        return f"({one}) + 0 {draw.choice(['<', '<=', '==', '!=', '>'])} ({two}) - 1"
    left, right = _truth(draw, depth - 1), _truth(draw, depth - 1)
    return draw.choice(
        [
            *(f"{left} and {right}", f"{left} or {right}", f"({left} or {right}) and {left}"),
            *(
                f"not ({left})",
                f"not {left}",
                f"({one}) < ({two}) + 0 <= 300",
                "courier.flags.visible",
            ),
            f"courier.held != 0 and courier.held.kind == {draw.randrange(6)}",
        ]
    )


def _of_one(draw: random.Random, depth: int) -> str:
    each = draw.choice(_OF_EACH)
    more = f" and ({_whole(draw, depth)}) > {draw.randrange(9)}" if draw.random() < 0.5 else ""
    if "len(" in more or "sum(" in more:
        more = ""
    return f"{each} {draw.choice(['<', '!=', '>='])} {draw.randrange(9)}{more}"
