"""Halves, bytes and bits of stored values against numpy's views of the same bytes.

Sources: numpy, whose ``view`` takes the same memory as another type; and worked values of
IEEE 754-2019, clause 3.4 (binary interchange formats: sign, biased exponent, trailing
significand) and 6.2.1 (a NaN's payload is kept in its trailing significand), from memory of the
standard.
"""

from __future__ import annotations

import random
import struct
from pathlib import Path
from typing import Any, Literal

import numpy as np
import numpy.typing as npt
import pytest

from bridge.evaluation.evaluator import Evaluator
from bridge.memory.image import Image
from bridge.values.status import Status
from tests.outside.evaluating import Ready, ready

BASE = 0x8000_0000
WIDTHS = {
    **dict.fromkeys(("u16", "s16", "angle16", "q8.8"), 2),
    **dict.fromkeys(("u32", "s32", "f32", "q16.16"), 4),
    **dict.fromkeys(("u64", "s64", "f64", "q32.32"), 8),
}
ELEMENTS = 16
IMAGES = 192
"""So 3,072 patterns of each type, in each order."""

SPECIAL = {
    2: [0, 1, 0x7FFF, 0x8000, 0x8001, 0xFFFF, 0x00FF, 0xFF00],
    4: [
        *(0x0000_0000, 0x8000_0000, 0x0000_0001, 0x8000_0001, 0x007F_FFFF, 0x0080_0000),
        *(0x3F80_0000, 0x3F7F_FFFF, 0x7F7F_FFFF, 0x7F80_0000, 0xFF80_0000, 0x7FC0_0000),
        *(0x7F80_0001, 0x7FBF_FFFF, 0xFFC0_0001, 0xFFFF_FFFF, 0x7FFF_FFFF, 0x0001_0000),
    ],
    8: [
        *(0x0000_0000_0000_0000, 0x8000_0000_0000_0000, 0x0000_0000_0000_0001),
        *(0x000F_FFFF_FFFF_FFFF, 0x0010_0000_0000_0000, 0x3FF0_0000_0000_0000),
        *(0x7FEF_FFFF_FFFF_FFFF, 0x7FF0_0000_0000_0000, 0xFFF0_0000_0000_0000),
        *(0x7FF8_0000_0000_0000, 0x7FF0_0000_0000_0001, 0xFFF7_FFFF_FFFF_FFFF),
        *(0xFFFF_FFFF_FFFF_FFFF, 0x0000_0001_0000_0000, 0x0000_0000_FFFF_FFFF),
    ],
}
"""Zeros, subnormals, ends of the normal range, infinities, quiet and signalling NaNs."""


def schema_of(symbols: dict[str, str], endian: str, size: int) -> str:
    """A schema with these symbols (name → type), one behind the other, 16 bytes aligned."""
    lines = [f'[game]\nname = "Tidewright"\n[memory]\nendian = "{endian}"']
    lines.append(f'regions = [ {{ name = "ram", start = {BASE:#x}, size = {size:#x} }} ]')
    lines.append("[symbols]")
    lines += [f'{name} = "{kind}"' for name, kind in symbols.items()]
    lines.append("[builds.only.at]")
    stride = ELEMENTS * 8
    lines += [f"{name} = {BASE + n * stride:#x}" for n, name in enumerate(symbols)]
    return "\n".join(lines)


def parts_of(place: str, size: int) -> list[str]:
    """Every way to take a stored value of ``size`` bytes apart."""
    taken = [f"byte({place}, {number})" for number in range(size)]
    return [f"bits({place})", f"low({place})", f"high({place})", *taken]


def patterns(size: int, chance: random.Random) -> list[int]:
    """The special patterns first, random ones after them, half of those with a busy exponent."""
    count = ELEMENTS * IMAGES
    found = list(SPECIAL[size])
    while len(found) < count:
        pattern = chance.getrandbits(8 * size)
        if len(found) % 4 == 0:
            pattern |= 0x7F8 << (8 * size - 12)  # exponent of all ones: infinities and NaNs
        elif len(found) % 4 == 1:
            pattern &= (1 << 8 * size - 12) - 1 | 1 << 8 * size - 1  # of all zeros: subnormals
        found.append(pattern)
    return found


def numpy_parts(raw: bytes, size: int, order: str) -> npt.NDArray[Any]:
    """Per value of *raw*, the columns of ``parts_of``, by numpy's views alone."""
    count = len(raw) // size
    memory = np.frombuffer(raw, np.uint8)
    words = memory.view(f"{order}u{size}")
    halves = memory.view(f"{order}u{size // 2}").reshape(count, 2)
    single = memory.reshape(count, size)
    if order == ">":
        low, high, byte = halves[:, 1], halves[:, 0], single[:, ::-1]
    else:
        low, high, byte = halves[:, 0], halves[:, 1], single
    columns = [words, low, high, *byte.T]
    return np.stack([column.astype(np.uint64) for column in columns], axis=1)


def evaluators(one: Ready) -> list[tuple[Evaluator, Image]]:
    return [
        (one.evaluator(whole=True), Image(one.memory, whole=True)),
        (one.evaluator(whole=False), Image(one.memory)),
    ]


def evaluate(evaluator: Evaluator, image: Image) -> None:
    missing = evaluator.evaluate(image, 1)
    if missing:
        for line in missing:
            image.held[line] = 1
        assert not evaluator.evaluate(image, 1, again=True)


@pytest.mark.parametrize("endian", ["big", "little"])
@pytest.mark.parametrize("kind", WIDTHS)
def test_every_part_is_that_of_numpys_view(kind: str, endian: str, tmp_path: Path) -> None:
    """Source: numpy.  Each of thousands of patterns, also those that are not a number."""
    size, order = WIDTHS[kind], ">" if endian == "big" else "<"
    expressions = [part for n in range(ELEMENTS) for part in parts_of(f"stored[{n}]", size)]
    schema = schema_of({"stored": f"{kind}[{ELEMENTS}]"}, endian, 0x100)
    one = ready(tmp_path, schema, expressions)
    slots = [one.prepared.program.watches[watch.name] for watch in one.prepared.watches]
    chance = random.Random(f"{kind} {endian}")
    numbers = patterns(size, chance)
    raw = np.array(numbers, f"{order}u{size}").tobytes()
    wanted = numpy_parts(raw, size, order)
    assert wanted.shape == (ELEMENTS * IMAGES, 3 + size)
    for evaluator, image in evaluators(one):
        rows = []
        for number in range(IMAGES):
            image.bytes[: ELEMENTS * size] = raw[number * ELEMENTS * size :][: ELEMENTS * size]
            evaluate(evaluator, image)
            assert not any(evaluator.faults)
            rows.append([evaluator.values[slot] for slot in slots])
        found = np.array(rows, np.uint64).reshape(-1, 3 + size)
        assert np.array_equal(found, wanted)


@pytest.mark.parametrize("endian", ["big", "little"])
@pytest.mark.parametrize("kind", ["f32", "f64"])
def test_a_float_is_numpys_float_or_a_reason(kind: str, endian: str, tmp_path: Path) -> None:
    """Source: numpy's isnan, isinf and its own reading of the same bytes."""
    size, order = WIDTHS[kind], ">" if endian == "big" else "<"
    schema = schema_of({"stored": f"{kind}[{ELEMENTS}]"}, endian, 0x100)
    one = ready(tmp_path, schema, [f"stored[{n}]" for n in range(ELEMENTS)])
    numbers = patterns(size, random.Random(f"values {kind} {endian}"))
    raw = np.array(numbers, f"{order}u{size}").tobytes()
    floats = np.frombuffer(raw, f"{order}f{size}")
    evaluator, image = evaluators(one)[0]
    counts = {"number": 0, "nan": 0, "infinity": 0}
    for first in range(0, len(floats), ELEMENTS):
        image.bytes[: ELEMENTS * size] = raw[first * size :][: ELEMENTS * size]
        evaluate(evaluator, image)
        for place in range(ELEMENTS):
            wanted = floats[first + place]
            fault, value = evaluator.faults[place], evaluator.values[place]
            if np.isnan(wanted):
                counts["nan"] += 1
                assert fault is not None
                assert fault.reason == f"stored[{place}] is not a number"
            elif np.isinf(wanted):
                counts["infinity"] += 1
                assert fault is not None
                assert fault.reason == f"stored[{place}] is infinite"
                assert value == wanted
            else:
                counts["number"] += 1
                assert fault is None
                # by bit pattern, so that −0 is not 0
                assert struct.pack(">d", value) == struct.pack(">d", float(wanted))
    assert counts["nan"] > 100
    assert counts["infinity"] >= 2
    assert counts["number"] > 1000


WORKED_SINGLES = {
    # value, then its binary32 encoding as sign, biased exponent (127) and trailing significand,
    # put together by hand from IEEE 754-2019 3.4
    1.0: (0, 127, 0),
    -2.0: (1, 128, 0),
    0.15625: (0, 124, 1 << 21),  # 1.25 × 2^−3
    -118.625: (1, 133, 0x6D4000),  # −1.853515625 × 2^6
    0.1: (0, 123, 0x4CCCCD),  # 1.6 × 2^−4, rounded to nearest
    2.0**-126: (0, 1, 0),  # least normal
    2.0**-149: (0, 0, 1),  # least subnormal
    (2 - 2.0**-23) * 2.0**127: (0, 254, 0x7FFFFF),  # greatest finite
    -0.0: (1, 0, 0),
}
WORKED_DOUBLES = {
    # the same in binary64: bias 1023, 52 bits of trailing significand
    1.0: (0, 1023, 0),
    -2.0: (1, 1024, 0),
    0.15625: (0, 1020, 1 << 50),
    0.1: (0, 1019, 0x999999999999A),
    2.0**-1022: (0, 1, 0),
    2.0**-1074: (0, 0, 1),
    (2 - 2.0**-52) * 2.0**1023: (0, 2046, 0xFFFFFFFFFFFFF),
    -0.0: (1, 0, 0),
}


@pytest.mark.parametrize("endian", ["big", "little"])
def test_worked_values_of_the_standard(endian: str, tmp_path: Path) -> None:
    """Source: IEEE 754-2019 3.4, from memory of the standard; the fields are put in by shifts."""
    schema = schema_of({"single": f"f32[{ELEMENTS}]", "double": f"f64[{ELEMENTS}]"}, endian, 0x100)
    order: Literal["big", "little"] = "big" if endian == "big" else "little"
    memory, wanted = bytearray(0x100), {}
    for place, (value, (sign, exponent, fraction)) in enumerate(WORKED_SINGLES.items()):
        pattern = sign << 31 | exponent << 23 | fraction
        memory[4 * place : 4 * place + 4] = pattern.to_bytes(4, order)
        wanted[f"single[{place}]"] = (value, pattern, 16)
    for place, (value, (sign, exponent, fraction)) in enumerate(WORKED_DOUBLES.items()):
        pattern = sign << 63 | exponent << 52 | fraction
        start = 8 * ELEMENTS + 8 * place
        memory[start : start + 8] = pattern.to_bytes(8, order)
        wanted[f"double[{place}]"] = (value, pattern, 32)
    # 0.1 is not a binary32: the stored value is the nearest one
    nearest = 0xCCCCCD * 2.0**-27
    expressions = [e for w in wanted for e in (w, f"bits({w})", f"high({w})", f"low({w})")]
    found = ready(tmp_path, schema, expressions).whole([bytes(memory)])
    for place_text, (value, pattern, half) in wanted.items():
        if value == 0.1 and half == 16:
            value = nearest
        read = found[place_text].value
        assert isinstance(read, float)
        assert (read, np.signbit(read)) == (value, np.signbit(value))
        assert found[f"bits({place_text})"].value == pattern
        assert found[f"high({place_text})"].value == pattern >> half
        assert found[f"low({place_text})"].value == pattern & ((1 << half) - 1)


@pytest.mark.parametrize("endian", ["big", "little"])
def test_the_payload_of_a_nan_is_kept(endian: str, tmp_path: Path) -> None:
    """Source: IEEE 754-2019 6.2.1, from memory: quiet bit first, the payload after it.

    A signalling NaN must come through as well: a detour over a host register would make it quiet.
    """
    schema = schema_of({"single": "f32[2]", "double": "f64[2]"}, endian, 0x100)
    order: Literal["big", "little"] = "big" if endian == "big" else "little"
    quiet, signalling = 0x7FC0_1234, 0xFFA0_BEEF
    quiet_double, signalling_double = 0x7FF8_0000_0000_1234, 0xFFF4_0000_DEAD_BEEF
    memory = bytearray(0x100)
    memory[:8] = quiet.to_bytes(4, order) + signalling.to_bytes(4, order)
    start = 8 * ELEMENTS
    doubles = quiet_double.to_bytes(8, order) + signalling_double.to_bytes(8, order)
    memory[start : start + 16] = doubles
    expressions = [
        *("bits(single[0])", "bits(single[1])", "low(single[1])", "byte(single[1], 0)"),
        *("bits(double[0])", "bits(double[1])", "high(double[1])", "single[1]", "double[0]"),
    ]
    found = ready(tmp_path, schema, expressions).whole([bytes(memory)])
    values = {expression: each.value for expression, each in found.items()}
    assert values == {
        "bits(single[0])": quiet,
        "bits(single[1])": signalling,
        "low(single[1])": 0xBEEF,
        "byte(single[1], 0)": 0xEF,
        "bits(double[0])": quiet_double,
        "bits(double[1])": signalling_double,
        "high(double[1])": 0xFFF4_0000,
        "single[1]": None,
        "double[0]": None,
    }
    assert found["single[1]"].status is Status.ERROR
    assert found["double[0]"].reason == "double[0] is not a number"


def test_the_address_of_a_half_is_where_its_bytes_lie(tmp_path: Path) -> None:
    """Source: the definition of byte order: big-endian has the most significant byte first."""
    places = {"big": {"high": 0, "low": 2}, "little": {"high": 2, "low": 0}}
    for endian, offsets in places.items():
        schema = schema_of({"stored": "f32[2]"}, endian, 0x100)
        expressions = ["high(stored[1])", "low(stored[1])", "byte(stored[1], 0)", "bits(stored[1])"]
        found = ready(tmp_path, schema, expressions).whole([bytes(0x100)])
        assert found["high(stored[1])"].address == BASE + 4 + offsets["high"]
        assert found["low(stored[1])"].address == BASE + 4 + offsets["low"]
        assert found["byte(stored[1], 0)"].address == BASE + 4 + (3 if endian == "big" else 0)
        assert found["bits(stored[1])"].address == BASE + 4
