"""Steps in numpy's binary32 and in plain Python, against fractions rounded once.

Sources: IEEE 754-2019 4.3.1 (to the nearest, halves to even) and 5.4.1, done here with whole
numbers alone; numpy's float32; math.sin for sines.
"""

from __future__ import annotations

import math
import random
import struct
from fractions import Fraction

import numpy as np
import pytest

from bridge.solvers.walks.binary32 import patterns_of, perform
from bridge.solvers.walks.model import Position, Step, Walks
from bridge.solvers.walks.plain import performed
from bridge.solvers.walks.sines import sine_by_table, sine_rounded

OPERATIONS = {
    "add": 2,
    "subtract": 2,
    "multiply": 2,
    "divide": 2,
    "fused": 3,
    "absolute": 1,
    "negate": 1,
    "square_root": 1,
    "clamp": 2,
    "set": 1,
}
SPECIAL = (
    *(0x0000_0000, 0x8000_0000, 0x0000_0001, 0x8000_0001, 0x007F_FFFF, 0x0080_0000),
    *(0x3F80_0000, 0xBF80_0000, 0x3F80_0001, 0x3F7F_FFFF, 0x7F7F_FFFF, 0xFF7F_FFFF),
    *(0x7F80_0000, 0xFF80_0000, 0x4B80_0000, 0x4B7F_FFFF, 0x3380_0000, 0x3300_0001),
)


def drawn_patterns(drawn: random.Random, count: int) -> list[int]:
    """Numbers of all sizes, of like sizes, and the special ones; none that is no number."""
    found: list[int] = []
    while len(found) < count:
        way = drawn.randrange(3)
        value = (
            drawn.getrandbits(32)
            if way == 0
            else drawn.choice(SPECIAL)
            if way == 1
            else drawn.getrandbits(24) | drawn.randrange(0x3E, 0x43) << 24
        )
        if value & 0x7FFF_FFFF <= 0x7F80_0000:
            found.append(value)
    return found


def exact(value: int) -> Fraction | None:
    """What a pattern stores by IEEE 754-2019 3.4; None of an infinity."""
    sign = -1 if value >> 31 else 1
    exponent, fraction = value >> 23 & 0xFF, value & 0x7F_FFFF
    if exponent == 0xFF:
        return None
    if exponent == 0:
        return sign * Fraction(fraction, 2**149)
    return sign * Fraction(fraction | 1 << 23) * Fraction(2) ** (exponent - 150)


def rounded(value: Fraction) -> int:
    """The pattern of a fraction other than 0, rounded once: nearest, halves to even."""
    size = abs(value)
    exponent = math.frexp(float(size))[1] if Fraction(1, 2**149) < size else -148
    place = Fraction(2) ** max(exponent - 25, -149)  # half of what the last place may be
    while size / place >= 1 << 24:
        place *= 2
    whole, rest = divmod(size, place)
    whole += rest * 2 > place or (rest * 2 == place and whole % 2)
    units = whole * place / Fraction(1, 2**149)
    assert units.denominator == 1
    number = int(units)
    length = number.bit_length()
    if length <= 24:
        bits = number
    else:
        shift = length - 24
        bits = (shift << 23) + (number >> shift)
    bits = min(bits, 0x7F80_0000)
    return bits | (0x8000_0000 if value < 0 else 0)


def test_rounding_once_as_struct_does_it() -> None:
    """The reference against CPython's own: of what a binary64 holds both must say the same."""
    drawn = random.Random(1)
    for _ in range(2000):
        value = math.ldexp(drawn.getrandbits(53) - 2**52 + 0.5, drawn.randint(-205, 60))
        try:
            packed = struct.pack(">f", value)
        except OverflowError:
            continue
        assert rounded(Fraction(value)) == int.from_bytes(packed, "big")


@pytest.mark.parametrize("operation", OPERATIONS)
@pytest.mark.parametrize("count", [600, pytest.param(200_000, marks=pytest.mark.full)])
def test_numpy_plain_and_fractions_agree(operation: str, count: int) -> None:
    drawn = random.Random(operation)
    names = ["p", "q", "r"][: OPERATIONS[operation]]
    columns = {name: drawn_patterns(drawn, count) for name in (*names, "t")}
    if operation == "clamp":
        ordered = zip(columns["p"], columns["q"], strict=True)
        pairs = [sorted(pair, key=as_number) for pair in ordered]
        columns["p"], columns["q"] = ([pair[n] for pair in pairs] for n in (0, 1))
    step = Step(operation, "t", tuple(names))
    values = {k: np.array(v, np.uint32).view(np.float32) for k, v in columns.items()}
    perform([step], values, np.zeros(count, np.uint16), None)
    assert values["t"].dtype == np.float32
    at_once = patterns_of(values["t"])
    walks = Walks((), tuple(columns))
    for number in range(count):
        before = {name: column[number] for name, column in columns.items()}
        plain = performed(walks, Position(before), [step]).patterns["t"]
        found = int(at_once[number])
        told = f"{operation} {[hex(each) for each in before.values()]}"
        if plain & 0x7FFF_FFFF > 0x7F80_0000:
            assert found & 0x7FFF_FFFF > 0x7F80_0000, told
            continue
        assert hex(found) == hex(plain), told
        expected = by_fractions(operation, [before[name] for name in names])
        assert expected is None or hex(expected) == hex(found), told


def as_number(value: int) -> float:
    number: float = struct.unpack(">f", value.to_bytes(4, "big"))[0]
    return number


def by_fractions(operation: str, operands: list[int]) -> int | None:
    """The exact result rounded once; None where it is 0 or no number has a say."""
    read = [exact(each) for each in operands]
    if operation not in ("add", "subtract", "multiply", "divide", "fused") or None in read:
        return None
    one, two, *more = (each for each in read if each is not None)
    if operation == "divide":
        result = one / two if two else Fraction(0)
    elif operation == "multiply":
        result = one * two
    elif operation == "fused":
        result = one * two + more[0]
    else:
        result = one + two if operation == "add" else one - two
    return rounded(result) if result else None


def test_a_fused_step_rounds_once_where_two_steps_round_twice() -> None:
    """(1 + 2^-23)^2 is 1 + 2^-22 + 2^-46: less 1 + 2^-22, 2^-46 is left, or 0 if rounded before."""
    one = 0x3F80_0001
    start = Position({"t": one, "c": 0xBF80_0002})
    walks = Walks((), ("t", "c"))
    fused = performed(walks, start, [Step("fused", "t", (one, one, "c"))])
    apart = [Step("multiply", "t", (one, one)), Step("add", "t", ("t", "c"))]
    assert fused.patterns["t"] == 0x2880_0000
    assert performed(walks, start, apart).patterns["t"] == 0


def test_a_sum_is_never_made_in_binary64() -> None:
    """16,777,216 + 1 + 1 is 16,777,216 where each is rounded: halves go to even."""
    values = {"x": np.array([16_777_216], np.float32)}
    one = 0x3F80_0000
    perform([Step("add", "x", ("x", one))] * 2, values, np.zeros(1, np.uint16), None)
    assert values["x"][0] == 16_777_216


def test_a_bound_of_zero_leaves_the_sign_of_a_zero() -> None:
    """As C's ``if (x < lo) x = lo;`` does, since -0.0 is not less than 0.0 (IEEE 754-2019 5.11)."""
    values = {"x": np.array([0x8000_0000, 0, 0x8000_0001], np.uint32).view(np.float32)}
    perform([Step("clamp", "x", (0, 0x3F80_0000))], values, np.zeros(3, np.uint16), None)
    assert patterns_of(values["x"]).tolist() == [0x8000_0000, 0, 0]


def test_rounded_sines_are_nearest() -> None:
    """math.sin is off by far less than binary32's half place: it decides wherever it can."""
    sine = sine_rounded()
    decided = 0
    for angle in range(0, 0x10000, 7):
        value = math.sin(math.tau * angle / 0x10000)
        nearest = np.float32(value)
        place = float(np.spacing(np.abs(nearest)))
        if abs(abs(value - float(nearest)) - place / 2) > 1e-6 * place and abs(value) > 1e-9:
            decided += 1
            assert sine[angle] == nearest, hex(angle)
    assert decided > 9000
    exact_ones = {0: 0.0, 0x4000: 1.0, 0x8000: 0.0, 0xC000: -1.0}
    assert {angle: float(sine[angle]) for angle in exact_ones} == exact_ones
    assert not np.signbit(sine[[0, 0x8000]]).any()


def test_an_angle_takes_the_entry_at_or_before_it() -> None:
    table = sine_by_table([0, 0x3F80_0000, 0x8000_0000, 0xBF80_0000])
    assert [float(table[angle]) for angle in (0, 0x3FFF, 0x4000, 0x7FFF, 0xC000)] == [
        0,
        0,
        1,
        1,
        -1,
    ]
    with pytest.raises(ValueError, match="found 5"):
        sine_by_table([0] * 5)
