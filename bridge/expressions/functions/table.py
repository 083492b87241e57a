"""The functions of the expression language: what each is called with, gives and means.

To add one, add an entry to ``FUNCTIONS``; a mathematical one also needs its arithmetic in
``bridge.expressions.arithmetic``, one over frames its state in
``bridge.evaluation.frame_functions``.
"""

from __future__ import annotations

import ast
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

from bridge.expressions import nodes
from bridge.expressions.functions import heap as heap_functions
from bridge.expressions.functions import heap_shape as layout_function
from bridge.expressions.functions import turns as turn_function
from bridge.values.value_type import FLOAT, INTEGER, Kind, ValueType
from schemas.layout import BitField, OffsetStruct, PointerTo, Scalar, name_of

if TYPE_CHECKING:
    from bridge.expressions.checker import Checker

MANY = 16
ANGLE = ValueType(Kind.INTEGER, 16, angle=True, name="angle16")
SINGLE = ValueType(Kind.FLOAT, 32, True, name="f32")
MAX_AVERAGE = 36_000


@dataclass(frozen=True, slots=True)
class Function:
    """``form`` shows the call, ``gives`` what it gives; ``counts`` is least and most arguments."""

    form: str
    gives: str
    counts: tuple[int, int]
    check: Callable[[Checker, ast.Call], nodes.Expr]
    over_frames: bool = False


def _unsigned(bits: int) -> ValueType:
    return ValueType(Kind.INTEGER, bits, name=f"u{bits}")


def _signed(bits: int) -> ValueType:
    return ValueType(Kind.INTEGER, bits, True, name=f"s{bits}")


def _half(high: bool) -> Callable[[Checker, ast.Call], nodes.Expr]:
    def check(checker: Checker, tree: ast.Call) -> nodes.Expr:
        place, leaf = checker.leaf_place(tree.args[0])
        if leaf.size == 1:
            checker.refuse(tree.args[0], f"{name_of(leaf)} is one byte and has no halves")
        size = leaf.size // 2
        first = high is (checker.layout.order == ">")
        offset = 0 if first else size
        kind = _unsigned(size * 8)
        return nodes.Stored(checker.text(tree), kind, place, leaf, offset, size)

    return check


def _byte(checker: Checker, tree: ast.Call) -> nodes.Expr:
    place, leaf = checker.leaf_place(tree.args[0])
    number = checker.constant(tree.args[1], 0, leaf.size - 1)
    offset = leaf.size - 1 - number if checker.layout.order == ">" else number
    return nodes.Stored(checker.text(tree), _unsigned(8), place, leaf, offset, 1)


def _bits(checker: Checker, tree: ast.Call) -> nodes.Expr:
    part = checker.place(tree.args[0])
    if isinstance(part.node, BitField):
        width = part.node.width
        arguments = (checker.read(part, part.node), nodes.Literal(str(width), INTEGER, width))
        return nodes.Apply(checker.text(tree), _unsigned(width), "unsigned", arguments)
    place, leaf = checker.leaf_place(tree.args[0])
    kind = _unsigned(leaf.size * 8)
    return nodes.Stored(checker.text(tree), kind, place, leaf, 0, leaf.size)


def _address(checker: Checker, tree: ast.Call) -> nodes.Expr:
    kind = ValueType(Kind.INTEGER, checker.layout.pointer_size * 8, address=True, name="address")
    return nodes.AddressOf(checker.text(tree), kind, checker.place(tree.args[0]))


def _at(checker: Checker, tree: ast.Call) -> nodes.Expr:
    address = checker.whole_number(tree.args[0])
    type_text = checker.literal_text(tree.args[1], "a type")
    try:
        node = checker.layout.type(type_text)
    except ValueError as fault:
        checker.refuse(tree.args[1], str(fault))
    return nodes.AtAddress(checker.text(tree), node, address)


def _width(signed: bool) -> Callable[[Checker, ast.Call], nodes.Expr]:
    def check(checker: Checker, tree: ast.Call) -> nodes.Expr:
        number = checker.whole_number(tree.args[0])
        bits = checker.constant(tree.args[1], 1, 64)
        width = nodes.Literal(str(bits), INTEGER, bits)
        kind = _signed(bits) if signed else _unsigned(bits)
        function = "signed" if signed else "unsigned"
        return nodes.Apply(checker.text(tree), kind, function, (number, width))

    return check


def _apply(
    name: str, kind: ValueType | None, whole: bool = False
) -> Callable[[Checker, ast.Call], nodes.Expr]:
    """A mathematical function; without a *kind* it gives the kind of its arguments."""

    def check(checker: Checker, tree: ast.Call) -> nodes.Expr:
        read = checker.whole_number if whole else checker.number
        arguments = tuple(read(part) for part in tree.args)
        result = kind
        if result is None:
            floating = any(part.type.kind is Kind.FLOAT for part in arguments)
            result = FLOAT if floating else INTEGER
        return nodes.Apply(checker.text(tree), result, name, arguments)

    return check


def _with_a_half(name: str) -> Callable[[Checker, ast.Call], nodes.Expr]:
    """A function of a number and a half of 16 bits that gives an f32."""

    def check(checker: Checker, tree: ast.Call) -> nodes.Expr:
        number = checker.number(tree.args[0])
        half = checker.whole_number(tree.args[1])
        if isinstance(half, nodes.Literal) and not 0 <= int(half.value) <= 0xFFFF:
            checker.refuse(tree.args[1], f"a half is 0 to 0xFFFF, found {half.value}")
        return nodes.Apply(checker.text(tree), SINGLE, name, (number, half))

    return check


def _extreme(name: str) -> Callable[[Checker, ast.Call], nodes.Expr]:
    def check(checker: Checker, tree: ast.Call) -> nodes.Expr:
        if len(tree.args) > 1:
            return _apply(name, None)(checker, tree)
        return _fold(name)(checker, tree)

    return check


def _fold(name: str) -> Callable[[Checker, ast.Call], nodes.Expr]:
    def check(checker: Checker, tree: ast.Call) -> nodes.Expr:
        listing = checker.listing(tree.args[0])
        kind = listing.element
        if not isinstance(kind, ValueType):
            what = "blocks" if isinstance(kind, nodes.BlockSort) else name_of(kind)
            checker.refuse(tree.args[0], f"is a list of {what}; name a field of each")
        if kind.kind is Kind.TEXT:
            checker.refuse(tree.args[0], "is a list of texts, expected numbers")
        if name == "sum":
            kind = FLOAT if kind.kind is Kind.FLOAT else INTEGER
        return nodes.Fold(checker.text(tree), kind, name, listing)

    return check


def _distance(axes: str) -> Callable[[Checker, ast.Call], nodes.Expr]:
    def check(checker: Checker, tree: ast.Call) -> nodes.Expr:
        reads: list[nodes.Number] = []
        for part in tree.args:
            with checker.in_distance(tree):
                place = checker.place(part)
            if isinstance(place.node, PointerTo):
                target = checker.target(part, place.node)
                place = nodes.Followed(place.text, target, place)
            for axis in axes:
                members = place.node.members if isinstance(place.node, OffsetStruct) else {}
                member = members.get(axis)
                if member is None or not isinstance(member.type, Scalar):
                    wanted = ", ".join(axes)
                    checker.refuse(part, f"{name_of(place.node)} has no numbers {wanted}")
                text = f"{place.text}.{axis}"
                field = nodes.Offset(text, member.type, place, member.offset)
                reads.append(checker.read(field, member.type))
        return nodes.Apply(checker.text(tree), FLOAT, "distance", tuple(reads))

    return check


def _chain(checker: Checker, tree: ast.Call) -> nodes.Expr:
    head = checker.place(tree.args[0])
    field = checker.literal_text(tree.args[1], "the name of the field that leads on")
    node = head.node
    if isinstance(node, PointerTo):
        node = checker.target(tree.args[0], node)
    members = node.members if isinstance(node, OffsetStruct) else {}
    member = members.get(field)
    if member is None or not isinstance(member.type, PointerTo):
        checker.refuse(tree.args[1], f"{name_of(node)} has no pointer {field}")
    if str(member.type.target) != name_of(node):
        checker.refuse(
            tree.args[1],
            f"{field} leads to a {member.type.target}, expected a {name_of(node)}",
        )
    return nodes.Chain(checker.text(tree), node, head, member.offset, node is not head.node)


def _len(checker: Checker, tree: ast.Call) -> nodes.Expr:
    return nodes.Length(checker.text(tree), INTEGER, checker.listing(tree.args[0]))


def _first(checker: Checker, tree: ast.Call) -> nodes.Expr:
    listing = checker.listing(tree.args[0])
    text, element = checker.text(tree), listing.element
    if isinstance(element, ValueType):
        return nodes.FirstNumber(text, element, listing)
    if isinstance(element, nodes.BlockSort):
        return nodes.FirstBlock(text, listing)
    return nodes.FirstPlace(text, element, listing)


def _over_frames(
    name: str, conditions: tuple[int, ...], kind: ValueType | None
) -> Callable[[Checker, ast.Call], nodes.Expr]:
    """A function over frames.  *conditions* are the positions of truth values among the arguments;
    without a *kind* it gives what its first argument is."""

    def check(checker: Checker, tree: ast.Call) -> nodes.Expr:
        slots = [checker.hidden(part) for part in tree.args]
        kinds = [checker.slots[slot].type for slot in slots]
        for position, (part, found) in enumerate(zip(tree.args, kinds, strict=True)):
            text_allowed = name in ("previous", "latest", "tally") and position not in conditions
            if found.kind is Kind.TEXT and not text_allowed:
                checker.refuse(part, "is a text, expected a number")
        result = kind or kinds[0]
        return checker.over_frames(tree, name, slots, result, 0)

    return check


def _change(checker: Checker, tree: ast.Call) -> nodes.Expr:
    slot = checker.hidden(tree.args[0])
    found = checker.slots[slot].type
    if found.kind is Kind.TEXT:
        checker.refuse(tree.args[0], "is a text, which has no difference")
    kind = FLOAT if found.kind is Kind.FLOAT else INTEGER
    return checker.over_frames(tree, "change", [slot], kind, 0)


def _average(checker: Checker, tree: ast.Call) -> nodes.Expr:
    slot = checker.hidden(tree.args[0])
    if checker.slots[slot].type.kind is Kind.TEXT:
        checker.refuse(tree.args[0], "is a text, expected a number")
    count = checker.constant(tree.args[1], 1, MAX_AVERAGE)
    return checker.over_frames(tree, "average", [slot], FLOAT, count)


FUNCTIONS: dict[str, Function] = {
    "low": Function(
        "low(p)", "the low half of a stored value, by significance", (1, 1), _half(False)
    ),
    "high": Function("high(p)", "the high half of a stored value", (1, 1), _half(True)),
    "byte": Function(
        "byte(p, n)", "byte n of a stored value, 0 the least significant", (2, 2), _byte
    ),
    "bits": Function("bits(p)", "the stored bit pattern, unsigned", (1, 1), _bits),
    "address": Function("address(p)", "the guest address of a place", (1, 1), _address),
    "at": Function('at(address, "T")', "a place of type T at a computed address", (2, 2), _at),
    "signed": Function("signed(x, n)", "x as n-bit two's complement", (2, 2), _width(True)),
    "unsigned": Function("unsigned(x, n)", "the low n bits of x", (2, 2), _width(False)),
    "turn": Function(
        "turn(a, b)",
        "signed shortest way from angle16 b to a, -32768 to 32767",
        (2, 2),
        _apply("turn", _signed(16), whole=True),
    ),
    "turn_frames": Function(
        "turn_frames(a, b)",
        "the least frames in which the schema's moves turn from angle16 b to a",
        (2, 2),
        turn_function.turn_frames,
    ),
    "half_below": Function(
        "half_below(x, want)",
        "the greatest f32 not above x whose low half is want",
        (2, 2),
        _with_a_half("half_below"),
    ),
    "half_above": Function(
        "half_above(x, want)",
        "the least f32 not below x whose low half is want",
        (2, 2),
        _with_a_half("half_above"),
    ),
    "with_low": Function(
        "with_low(x, half)",
        "x, stored as an f32, after a write of its low half",
        (2, 2),
        _with_a_half("with_low"),
    ),
    "with_high": Function(
        "with_high(x, half)",
        "x, stored as an f32, after a write of its high half",
        (2, 2),
        _with_a_half("with_high"),
    ),
    "degrees": Function("degrees(a)", "an angle16 in degrees", (1, 1), _apply("degrees", FLOAT)),
    "sin": Function("sin(a)", "sine of an angle16", (1, 1), _apply("sin", FLOAT)),
    "cos": Function("cos(a)", "cosine of an angle16", (1, 1), _apply("cos", FLOAT)),
    "atan2": Function("atan2(y, x)", "angle16 of a direction", (2, 2), _apply("atan2", ANGLE)),
    "abs": Function("abs(x)", "magnitude", (1, 1), _apply("abs", None)),
    "min": Function("min(x, y, …)", "the least, also of one list", (1, MANY), _extreme("min")),
    "max": Function("max(x, y, …)", "the greatest, also of one list", (1, MANY), _extreme("max")),
    "round": Function(
        "round(x)", "nearest whole number, halves to even", (1, 1), _apply("round", INTEGER)
    ),
    "floor": Function(
        "floor(x)", "greatest whole number not above x", (1, 1), _apply("floor", INTEGER)
    ),
    "sqrt": Function("sqrt(x)", "square root", (1, 1), _apply("sqrt", FLOAT)),
    "hypot": Function(
        "hypot(x, y, …)", "root of the sum of squares", (1, MANY), _apply("hypot", FLOAT)
    ),
    "distance": Function("distance(u, v)", "of two structs with x, y, z", (2, 2), _distance("xyz")),
    "flat_distance": Function("flat_distance(u, v)", "the same without y", (2, 2), _distance("xz")),
    "chain": Function(
        'chain(head, "next")',
        "the structs of a linked list; ends at null, at a repeat, at 4,096",
        (2, 2),
        _chain,
    ),
    "block": Function(
        "block(p)",
        "the block of the heap that holds an address: .start .size .used .index .owner .offset",
        (1, 1),
        heap_functions.block,
    ),
    "blocks": Function(
        "blocks()",
        "the blocks of the heap, in the order of its list",
        (0, 0),
        heap_functions.blocks,
    ),
    "owner": Function(
        "owner(p)", "what lives in the block that holds an address", (1, 1), heap_functions.owner
    ),
    "layout": Function(
        'layout("name")',
        "1 where the heap has that saved shape, else the index of the first block that differs, "
        "which for block 1 is -1",
        (1, 1),
        layout_function.layout,
    ),
    "len": Function("len(list)", "how many", (1, 1), _len),
    "first": Function("first(list)", "the first; null where the list is empty", (1, 1), _first),
    "sum": Function("sum(list)", "the sum of a list of numbers", (1, 1), _fold("sum")),
    "previous": Function(
        "previous(x)", "x a frame ago", (1, 1), _over_frames("previous", (), None), True
    ),
    "change": Function("change(x)", "x now minus x a frame ago", (1, 1), _change, True),
    "frames_since": Function(
        "frames_since(c)",
        "game frames since c was last true, 0 while it is",
        (1, 1),
        _over_frames("frames_since", (0,), INTEGER),
        True,
    ),
    "frames_of": Function(
        "frames_of(c)",
        "game frames that c has held without a break, 0 while it does not",
        (1, 1),
        _over_frames("frames_of", (0,), INTEGER),
        True,
    ),
    "latest": Function(
        "latest(x, c)", "x when c was last true", (2, 2), _over_frames("latest", (1,), None), True
    ),
    "count": Function(
        "count(c)",
        "times that c became true since the start",
        (1, 1),
        _over_frames("count", (0,), INTEGER),
        True,
    ),
    "highest": Function(
        "highest(x)", "greatest x since the start", (1, 1), _over_frames("highest", (), None), True
    ),
    "lowest": Function(
        "lowest(x)", "least x since the start", (1, 1), _over_frames("lowest", (), None), True
    ),
    "average": Function("average(x, n)", "mean of x over n frames", (2, 2), _average, True),
    "tally": Function(
        "tally(x, when)",
        "the commonest x of the moments when became true; counts are kept, see lowhalf tally",
        (2, 2),
        _over_frames("tally", (1,), None),
        True,
    ),
}
