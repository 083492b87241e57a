"""``lowhalf solve``: which values, which moves, which sum, and what a write would change."""

from __future__ import annotations

import argparse
import importlib
from typing import Any

from adapters.commands.console.numbers import NumberParser

__all__ = ["add_arguments", "run"]

_SOLVERS = {
    "half": "every f32 in an interval with a wanted half",
    "turn": "the cheapest way from one angle16 to another by a set of moves",
    "walk": "the cheapest moves after which a coordinate has the bits that are wanted",
    "hex": "a base and offsets added up in hexadecimal, with the carries",
    "write": "what a 16-bit write through a pointer would change today",
}


class _Solver(NumberParser):
    """Loads its module when its words are parsed: a sum needs nothing of what reads memory."""

    def parse_known_args(self, args: Any = None, namespace: Any = None) -> Any:
        name = str(self.get_default("solver_name"))
        if self.get_default("solve") is None:
            module = importlib.import_module(f"adapters.commands.solving.{name}")
            module.add_arguments(self)
            self.set_defaults(solve=module.run)
        return super().parse_known_args(args, namespace)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    solvers = parser.add_subparsers(
        dest="solver", required=True, metavar="SOLVER", parser_class=_Solver
    )
    for name, summary in _SOLVERS.items():
        solver = solvers.add_parser(name, help=summary, description=summary)
        solver.set_defaults(solver_name=name)


def run(arguments: argparse.Namespace) -> int:
    code: int = arguments.solve(arguments)
    return code
