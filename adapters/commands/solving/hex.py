"""``lowhalf solve hex``: base and offsets added up in hexadecimal, with the carries shown."""

from __future__ import annotations

import argparse

from adapters.commands.console import numbers
from adapters.printable import json_text
from bridge.solvers.hex_sum import HexStep, hex_steps
from schemas.errors import LowhalfError

__all__ = ["MAX_OFFSETS", "add_arguments", "run"]

MAX_OFFSETS = 64


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("base", type=numbers.address, metavar="BASE", help="an address")
    parser.add_argument(
        "offsets",
        type=numbers.whole,
        nargs="+",
        metavar="OFFSET",
        help="is added, or subtracted where it is negative: 0x13C, -0x2C",
    )
    parser.add_argument("--json", action="store_true", help="print one JSON object")


def run(arguments: argparse.Namespace) -> int:
    if len(arguments.offsets) > MAX_OFFSETS:
        raise LowhalfError(f"expected at most {MAX_OFFSETS} offsets")
    try:
        steps = hex_steps(arguments.base, arguments.offsets)
    except ValueError as fault:
        raise LowhalfError(str(fault)) from None
    if arguments.json:
        told = {
            "result": steps[-1].result,
            "hex": f"0x{steps[-1].after}",
            "steps": [
                {
                    "before": step.before,
                    "sign": step.sign,
                    "operand": step.operand,
                    "carries": step.carries,
                    "after": step.after,
                }
                for step in steps
            ],
        }
        print(json_text(told))
        return 0
    for number, step in enumerate(steps):
        if number:
            print()
        for line in _lines(step):
            print(line)
    return 0


def _lines(step: HexStep) -> list[str]:
    carried = "borrowed from" if step.sign == "-" else "carried"
    return [
        *([_row("", step.carries, carried)] if step.carries.strip() else []),
        _row("", step.before, f"{int(step.before, 16)}"),
        _row(step.sign, step.operand, f"{int(step.operand, 16)}"),
        _row("=", step.after, f"0x{step.after}"),
    ]


def _row(sign: str, digits: str, words: str) -> str:
    """One digit a column."""
    return f"{sign:2}{' '.join(digits)}   {words}".rstrip()
