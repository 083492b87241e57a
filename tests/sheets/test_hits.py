"""The values that a sheet says hit are those that the target takes: all of them, and no others.

Sources: every 8- and 16-bit value tried one by one; numpy's float32 and float64, whose
``nextafter`` tells a value's neighbours, and ``view``, which tells its bits.
"""

from __future__ import annotations

import random
from fractions import Fraction

import numpy
import pytest

from bridge.readings.reading import Watch
from bridge.sheet.half_meaning import high_meaning, low_meaning
from bridge.sheet.hits import Hits, hits_of
from bridge.values.target import Target, between, equals, near
from bridge.values.value_type import BOOLEAN, FLOAT, TEXT, Kind, ValueType

U16 = ValueType(Kind.INTEGER, 16, name="u16")
S16 = ValueType(Kind.INTEGER, 16, True, name="s16")
S8 = ValueType(Kind.INTEGER, 8, True, name="s8")
ANGLE = ValueType(Kind.INTEGER, 16, angle=True, name="angle16")
SINGLE = ValueType(Kind.FLOAT, 32, True, name="f32")
DOUBLE = ValueType(Kind.FLOAT, 64, True, name="f64")
Q8 = ValueType(Kind.FLOAT, 16, True, name="q8.8", fraction=8)


def hits(kind: ValueType, target: Target, show: str = "") -> Hits:
    found = hits_of(Watch("w", "", "w", kind, show, target))
    assert found is not None
    return found


def bits_that_hit(kind: ValueType, target: Target) -> set[int]:
    """Every pattern of a narrow type whose value the target takes."""
    found = set()
    for pattern in range(1 << kind.bits):
        value: float = pattern
        if kind.signed and pattern >> kind.bits - 1:
            value = pattern - (1 << kind.bits)
        if kind.fraction:
            value = value / (1 << kind.fraction)
        if target.hit(value):
            found.add(pattern)
    return found


def told(found: Hits) -> set[int]:
    """All patterns that a sheet names."""
    runs = [run for ends in found.ends for run in ends.patterns]
    return {n for first, last in runs for n in range(int(first, 16), int(last, 16) + 1)}


@pytest.mark.parametrize(
    ("kind", "target"),
    [
        (U16, between(0x2000, 0x2FFF, U16)),
        (U16, near(5, 0.5, U16)),
        (U16, near(65_530, 10.5, U16)),
        (S16, between(-3, 2, S16)),
        (S8, near(-120, 20, S8)),
        (ANGLE, near(0x2AAB, 0x100, ANGLE)),
        (ANGLE, near(0x10, 0x80, ANGLE)),
        (ANGLE, between(0xFF00, 0x0100, ANGLE)),
        (ANGLE, near(0, 0x8000, ANGLE)),
        (Q8, between(-1, 0.3, Q8)),
        (Q8, near(1.5, 0.01, Q8)),
        (Q8, equals(0.5, Q8)),
    ],
    ids=lambda each: each.name if isinstance(each, ValueType) else each.text,
)
def test_every_narrow_value_tried_one_by_one(kind: ValueType, target: Target) -> None:
    found = hits(kind, target)
    wanted = bits_that_hit(kind, target)
    assert told(found) == wanted
    assert found.count == len(wanted)


def targets(seed: int) -> list[Target]:
    """Targets of a binary32 of all magnitudes, some around zero."""
    draw = random.Random(seed)
    found = []
    for _ in range(60):
        size = 10.0 ** draw.uniform(-6, 6)
        middle = draw.choice([0.0, draw.uniform(-size, size)])
        width = draw.choice([0.0, size / 1e3, size / 1e7, size])
        found += [near(middle, width, SINGLE), between(middle, middle + width, SINGLE)]
    return [*found, equals(0.1, SINGLE), equals(0.0, SINGLE), near(-2.0, 2.0, SINGLE)]


def test_the_ends_of_binary32_are_found_and_not_rounded() -> None:
    """Source: numpy's float32."""
    for target in targets(16):
        (ends,) = hits(SINGLE, target).ends
        first, last = numpy.float32(ends.first), numpy.float32(ends.last)
        assert float(first) == ends.first
        assert float(last) == ends.last
        assert target.hit(float(first))
        assert target.hit(float(last))
        assert not target.hit(float(numpy.nextafter(first, numpy.float32(-numpy.inf))))
        assert not target.hit(float(numpy.nextafter(last, numpy.float32(numpy.inf))))


def test_the_patterns_of_binary32_are_all_that_hit() -> None:
    """Source: numpy's view of float32 as its bits, at the ends of each run and beside them."""
    beside = 0
    for target in targets(32):
        found = hits(SINGLE, target)
        runs = [range(int(a, 16), int(b, 16) + 1) for ends in found.ends for a, b in ends.patterns]
        assert sum(map(len, runs)) == found.count
        for run in runs:
            for pattern in (run[0], run[-1], run[0] - 1, run[-1] + 1):
                if not 0 <= pattern < 1 << 32:
                    continue
                value = float(numpy.array(pattern, numpy.uint32).view(numpy.float32))
                if value == value:
                    assert target.hit(value) is any(pattern in each for each in runs), target.text
                    beside += pattern not in run
    assert beside > 100


def test_both_zeros_are_patterns_of_their_own() -> None:
    (ends,) = hits(SINGLE, between(0.0, 1.0, SINGLE)).ends
    assert ends.patterns == (("00000000", "3F800000"), ("80000000", "80000000"))
    assert (ends.first_text, ends.last_text) == ("0.0", "1.0")
    (ends,) = hits(SINGLE, equals(0.0, SINGLE)).ends
    assert ends.patterns == (("00000000", "00000000"), ("80000000", "80000000"))
    (ends,) = hits(DOUBLE, between(-1.0, 2.5, DOUBLE)).ends
    bits = [numpy.float64(n).tobytes()[::-1].hex().upper() for n in (0.0, 2.5, -0.0, -1.0)]
    assert ends.patterns == ((bits[0], bits[1]), (bits[2], bits[3]))


def test_a_value_outside_that_looks_like_one_inside_is_told() -> None:
    assert hits(SINGLE, near(1.95, 0.05, SINGLE), "fixed:3").blurred
    assert not hits(SINGLE, near(1.95, 0.05, SINGLE)).blurred
    assert not hits(U16, between(3, 5, U16)).blurred
    assert hits(ANGLE, near(0x2AAB, 0x100, ANGLE), "degrees").blurred
    assert hits(FLOAT, between(0, 2, FLOAT), "fixed:2").blurred


def test_what_cannot_be_hit_and_what_has_no_numbers() -> None:
    assert hits(U16, near(0.5, 0.25, U16)).ends == ()
    assert hits(U16, near(0.5, 0.25, U16)).count == 0
    (ends,) = hits(TEXT, equals("Gallery", TEXT)).ends
    assert (ends.first_text, ends.patterns) == ("Gallery", ())
    (ends,) = hits(BOOLEAN, equals(True, BOOLEAN)).ends
    assert ends.first_text == "true"
    kinds = ValueType(Kind.INTEGER, 16, members={1: "courier", 2: "lantern"}, name="ActorKind")
    (ends,) = hits(kinds, equals("lantern", kinds)).ends
    assert (ends.first_text, ends.patterns) == ("lantern", (("0002", "0002"),))
    assert hits_of(Watch("w", "", "w", U16)) is None


def test_a_low_half_comes_round_after_the_told_way_and_hits_for_the_told_part() -> None:
    """Source: numpy's float32: all numbers between two powers of two, counted by their bits."""
    for each in low_meaning(hits(U16, between(0x2000, 0x2FFF, U16)).ends)[::4]:
        first = numpy.float32(each.least).view(numpy.uint32)
        limit = numpy.float32(each.limit).view(numpy.uint32)
        low = numpy.arange(first, limit, dtype=numpy.uint32) & 0xFFFF
        share = numpy.count_nonzero((low >= 0x2000) & (low <= 0x2FFF)) / len(low)
        assert share == each.hit / each.period
        later = numpy.float32(each.least) + numpy.float32(each.period)
        assert later.view(numpy.uint32) & 0xFFFF == first & 0xFFFF
        assert later.view(numpy.uint32) != first
        step = Fraction(float(numpy.nextafter(numpy.float32(each.least), later))) - each.least
        assert each.period == step * 0x10000


def test_a_high_half_is_a_run_of_numbers() -> None:
    """Source: numpy's float32."""
    for first, last in ((0x41E8, 0x41F0), (0xC000, 0xC003), (0x7FF0, 0x8000), (0x7F00, 0x7FFF)):
        target = between(first, last, U16)
        for run in high_meaning(hits(U16, target).ends):
            for value, beyond in ((run.first, -numpy.inf), (run.last, numpy.inf)):
                end = numpy.float32(value)
                assert target.hit(int(end.view(numpy.uint32)) >> 16)
                with numpy.errstate(over="ignore"):
                    other = numpy.nextafter(end, numpy.float32(beyond))
                if numpy.isfinite(other) and other != 0:
                    assert not target.hit(int(other.view(numpy.uint32)) >> 16)
    assert high_meaning(hits(U16, equals(0x7F80, U16)).ends) == ()
    (run,) = high_meaning(hits(U16, between(0x41E8, 0x41EF, U16)).ends)
    assert run.texts == ("29.0", "29.999998")
