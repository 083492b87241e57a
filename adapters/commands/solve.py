"""``lowhalf solve``: which values, which moves, which sum, and what a write would change."""

from __future__ import annotations

import argparse

from adapters.commands import solve_half, solve_hex, solve_turn, solve_write
from adapters.commands.numbers import NumberParser

_SOLVERS = {
    "half": (solve_half, "every f32 in an interval with a wanted half"),
    "turn": (solve_turn, "the cheapest way from one angle16 to another by a set of moves"),
    "hex": (solve_hex, "a base and offsets added up in hexadecimal, with the carries"),
    "write": (solve_write, "what a 16-bit write through a pointer would change today"),
}


def add_arguments(parser: argparse.ArgumentParser) -> None:
    solvers = parser.add_subparsers(
        dest="solver", required=True, metavar="SOLVER", parser_class=NumberParser
    )
    for name, (module, summary) in _SOLVERS.items():
        solver = solvers.add_parser(name, help=summary, description=summary)
        module.add_arguments(solver)
        solver.set_defaults(solve=module.run)


def run(arguments: argparse.Namespace) -> int:
    code: int = arguments.solve(arguments)
    return code
