"""Sums and differences of hexadecimal numbers, digit by digit, with what is carried or borrowed.

As it is done on paper: from the right, sixteen of one digit being one of the next.
"""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["LEAST_DIGITS", "MAX_DIGITS", "HexStep", "hex_steps"]

LEAST_DIGITS = 8
MAX_DIGITS = 16


@dataclass(frozen=True, slots=True)
class HexStep:
    """One sum or difference of two numbers that are not negative.

    Digit strings run from the most significant digit and are all equally long.  ``carries`` has a
    ``1`` over each digit that something is carried to, or borrowed from, and spaces elsewhere.
    """

    before: str
    sign: str
    operand: str
    carries: str
    after: str
    result: int


def hex_steps(base: int, operands: list[int]) -> list[HexStep]:
    """One step an operand, from *base* on; a negative operand is subtracted.

    Raises ValueError where a result would be below 0 or need more than 64 bits.
    """
    results = [base]
    for operand in operands:
        results.append(results[-1] + operand)
        if results[-1] < 0:
            raise ValueError(f"0x{results[-2]:X} - 0x{-operand:X} is below 0")
    most = max(*results, *(abs(operand) for operand in operands), base)
    digits = max(LEAST_DIGITS, -(-most.bit_length() // 4))
    if digits > MAX_DIGITS:
        raise ValueError(f"0x{most:X} needs more than 64 bits")
    return [
        _step(before, operand, digits) for before, operand in zip(results, operands, strict=False)
    ]


def _step(before: int, operand: int, digits: int) -> HexStep:
    subtract, amount = operand < 0, abs(operand)
    marks, after, carry = "", "", 0
    for place in range(digits):
        marks = (" 1"[carry]) + marks
        left, right = before >> 4 * place & 0xF, amount >> 4 * place & 0xF
        digit = left - right - carry if subtract else left + right + carry
        carry = int(not 0 <= digit < 16)
        after = f"{digit % 16:X}" + after
    return HexStep(
        f"{before:0{digits}X}",
        "-" if subtract else "+",
        f"{amount:0{digits}X}",
        marks,
        after,
        int(after, 16),
    )
