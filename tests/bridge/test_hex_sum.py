"""Hexadecimal sums on paper: results by Python's integers, carries by worked sums."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.solvers.hex_sum import hex_steps


@given(st.integers(0, 2**64 - 1), st.lists(st.integers(-(2**40), 2**40), min_size=1, max_size=6))
def test_results_are_those_of_integers(base: int, operands: list[int]) -> None:
    results = [base]
    for operand in operands:
        results.append(results[-1] + operand)
    if min(results) < 0 or max(results) >> 64:
        with pytest.raises(ValueError):
            hex_steps(base, operands)
        return
    steps = hex_steps(base, operands)
    assert [step.result for step in steps] == results[1:]
    for before, operand, step in zip(results, operands, steps, strict=False):
        assert int(step.before, 16) == before
        assert int(step.sign + step.operand, 16) == operand
        assert len({len(step.before), len(step.operand), len(step.carries), len(step.after)}) == 1
        # what is carried to a digit is what the digits behind it add up to
        for place, mark in enumerate(reversed(step.carries)):
            behind = 16**place
            low, add = before % behind, abs(operand) % behind
            carried = low < add if operand < 0 else low + add >= behind
            assert (mark == "1") is carried


@pytest.mark.parametrize(
    ("base", "operand", "carries", "after"),
    [
        (0x80180B60, 0x13C, "        ", "80180C9C"),
        (0x8021FFF8, 0x138, "   1111 ", "80220130"),
        (0x80220130, -0x1FFFF, "   1111 ", "80200131"),
        (0xFFFF_FFFF, 1, "111111111 ", "0100000000"),
        (5, -5, "        ", "00000000"),
    ],
)
def test_worked_sums(base: int, operand: int, carries: str, after: str) -> None:
    (step,) = hex_steps(base, [operand])
    assert step.carries == carries[-len(step.after) :]
    assert step.after == after[-len(step.after) :]


@pytest.mark.parametrize(
    ("base", "operand", "message"),
    [
        (0x10, -0x20, "0x10 - 0x20 is below 0"),
        (2**64 - 1, 1, "0x10000000000000000 needs more than 64 bits"),
    ],
)
def test_what_no_address_can_be(base: int, operand: int, message: str) -> None:
    with pytest.raises(ValueError) as fault:
        hex_steps(base, [operand])
    assert str(fault.value) == message
