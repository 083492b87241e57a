"""The table of functions of the expression language: what each is called with, gives and means.

To add one, write what checks its call in one of the files beside, and a row here.  A package of
somebody else's adds one without either (``adapters.further_functions``).
"""

from __future__ import annotations

import math
from collections.abc import Mapping

from bridge.expressions import arithmetic
from bridge.expressions.frame_functions.conditions import Count, FramesOf, FramesSince, Latest
from bridge.expressions.frame_functions.frame_before import Previous
from bridge.expressions.frame_functions.summaries import Highest, Lowest
from bridge.expressions.frame_functions.tally import Tally
from bridge.expressions.functions import (
    heap,
    heap_shape,
    lists,
    numbers,
    over_frames,
    plan_steps,
    stored_values,
    turns,
)
from bridge.expressions.functions.function import Function
from bridge.values.value_type import FLOAT, INTEGER

__all__ = ["FUNCTIONS", "MANY"]

MANY = 16

FUNCTIONS: Mapping[str, Function] = {
    "low": Function(
        "low(p)",
        "the low half of a stored value, by significance; its address is the half's own",
        (1, 1),
        stored_values.half(False),
    ),
    "high": Function(
        "high(p)", "the high half of a stored value, likewise", (1, 1), stored_values.half(True)
    ),
    "byte": Function(
        "byte(p, n)",
        "byte n of a stored value, 0 the least significant",
        (2, 2),
        stored_values.byte,
    ),
    "bits": Function(
        "bits(p)", "the whole bit pattern of a stored value, unsigned", (1, 1), stored_values.bits
    ),
    "address": Function(
        "address(p)", "the guest address of a place", (1, 1), stored_values.address
    ),
    "at": Function(
        'at(address, "T")', "a place of type T at a computed address", (2, 2), stored_values.at
    ),
    "signed": Function(
        "signed(x, n)", "x as n-bit two's complement", (2, 2), stored_values.width(True)
    ),
    "unsigned": Function(
        "unsigned(x, n)", "the low n bits of x", (2, 2), stored_values.width(False)
    ),
    "turn": Function(
        "turn(a, b)",
        "the signed shortest way from angle16 b to angle16 a, -32768 to 32767",
        (2, 2),
        numbers.apply(arithmetic.turn, stored_values.signed_type(16), whole=True, bits=32),
    ),
    "turn_frames": Function(
        "turn_frames(a, b)",
        "the least frames in which the schema's [moves] turn from angle16 b to angle16 a",
        (2, 2),
        turns.turn_frames,
    ),
    "half_below": Function(
        "half_below(x, want)",
        "the greatest f32 not above x whose low half is want; x itself where its low half is",
        (2, 2),
        numbers.with_a_half(arithmetic.half_below),
    ),
    "half_above": Function(
        "half_above(x, want)",
        "the least f32 not below x whose low half is want; x itself where its low half is",
        (2, 2),
        numbers.with_a_half(arithmetic.half_above),
    ),
    "with_low": Function(
        "with_low(x, half)",
        "what x, stored as an f32, becomes when a 16-bit write changes its low half",
        (2, 2),
        numbers.with_a_half(arithmetic.with_low),
    ),
    "with_high": Function(
        "with_high(x, half)",
        "what x, stored as an f32, becomes when a 16-bit write changes its high half",
        (2, 2),
        numbers.with_a_half(arithmetic.with_high),
    ),
    "degrees": Function(
        "degrees(a)", "an angle16 in degrees", (1, 1), numbers.apply(arithmetic.degrees, FLOAT)
    ),
    "sin": Function("sin(a)", "sine of an angle16", (1, 1), numbers.apply(arithmetic.sine, FLOAT)),
    "cos": Function(
        "cos(a)", "cosine of an angle16", (1, 1), numbers.apply(arithmetic.cosine, FLOAT)
    ),
    "atan2": Function(
        "atan2(y, x)",
        "the angle16 of a direction",
        (2, 2),
        numbers.apply(arithmetic.direction, numbers.ANGLE, bits=32),
    ),
    "abs": Function("abs(x)", "magnitude", (1, 1), numbers.apply(abs, None, statements=4)),
    "min": Function(
        "min(x, y, …)", "the least, also of one list", (1, MANY), lists.extreme("min", min)
    ),
    "max": Function(
        "max(x, y, …)", "the greatest, also of one list", (1, MANY), lists.extreme("max", max)
    ),
    "round": Function(
        "round(x)", "nearest whole number, halves to even", (1, 1), numbers.apply(round, INTEGER)
    ),
    "floor": Function(
        "floor(x)", "greatest whole number not above x", (1, 1), numbers.apply(math.floor, INTEGER)
    ),
    "sqrt": Function(
        "sqrt(x)", "square root", (1, 1), numbers.apply(arithmetic.square_root, FLOAT)
    ),
    "hypot": Function(
        "hypot(x, y, …)",
        "root of the sum of squares",
        (1, MANY),
        numbers.apply(arithmetic.hypotenuse, FLOAT),
    ),
    "distance": Function(
        "distance(u, v)",
        "how far two structs with x, y, z are apart",
        (2, 2),
        numbers.distance("xyz"),
    ),
    "flat_distance": Function(
        "flat_distance(u, v)", "the same without y", (2, 2), numbers.distance("xz")
    ),
    "chain": Function(
        'chain(head, "next")',
        "the structs of a linked list; ends at null, at a repeat, at 4,096",
        (2, 2),
        lists.chain,
    ),
    "block": Function(
        "block(p)",
        "the block of the heap that holds an address: .start .size .used .index .owner .offset; "
        'with several heaps the innermost one, or that of the heap named, block(p, "name"); '
        ".heap",
        (1, 2),
        heap.block,
    ),
    "blocks": Function(
        "blocks()",
        "the blocks of the heap, in the order of its list; with several heaps of the one named: "
        'blocks("name")',
        (0, 1),
        heap.blocks,
    ),
    "owner": Function(
        "owner(p)",
        "what lives in the block that holds an address: a kind's name, free, or unknown",
        (1, 2),
        heap.owner,
    ),
    "layout": Function(
        'layout("name")',
        "1 where the heap has that saved shape, else the index of the first block that differs, "
        "which for block 1 is -1; shown as matches, or differs at block 15; "
        'with several heaps of the one named: layout("name", "heap")',
        (1, 2),
        heap_shape.layout,
    ),
    "plan": Function(
        'plan("name")',
        "how many steps of that plan are done, -1 where the game is not on it",
        (1, 1),
        plan_steps.plan,
        True,
    ),
    "len": Function("len(list)", "how many elements a list has", (1, 1), lists.length),
    "first": Function(
        "first(list)", "the first; null where the list is empty", (1, 1), lists.first
    ),
    "sum": Function("sum(list)", "the sum of a list of numbers", (1, 1), lists.fold("sum")),
    "previous": Function(
        "previous(x)", "x a frame ago", (1, 1), over_frames.over_frames(Previous, texts=True), True
    ),
    "change": Function("change(x)", "x now minus x a frame ago", (1, 1), over_frames.change, True),
    "frames_since": Function(
        "frames_since(c)",
        "game frames since c was last true, 0 while it is",
        (1, 1),
        over_frames.over_frames(FramesSince, INTEGER),
        True,
    ),
    "frames_of": Function(
        "frames_of(c)",
        "game frames that c has held without a break, 0 while it does not",
        (1, 1),
        over_frames.over_frames(FramesOf, INTEGER),
        True,
    ),
    "latest": Function(
        "latest(x, c)",
        "x when c was last true",
        (2, 2),
        over_frames.over_frames(Latest, conditions=(1,), texts=True),
        True,
    ),
    "count": Function(
        "count(c)",
        "times that c was seen to become true, since the start",
        (1, 1),
        over_frames.over_frames(Count, INTEGER),
        True,
    ),
    "highest": Function(
        "highest(x)", "greatest x since the start", (1, 1), over_frames.over_frames(Highest), True
    ),
    "lowest": Function(
        "lowest(x)", "least x since the start", (1, 1), over_frames.over_frames(Lowest), True
    ),
    "average": Function(
        "average(x, n)", "mean of x over n frames", (2, 2), over_frames.average, True
    ),
    "tally": Function(
        "tally(x, when)",
        "the commonest x of the moments at which when became true; the counts are kept (lowhalf "
        "tally)",
        (2, 2),
        over_frames.over_frames(Tally, conditions=(1,), texts=True),
        True,
    ),
}
