"""``lowhalf plan``: the cheapest actions that bring the heap to where it is wanted."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from pathlib import Path

from adapters.commands.console.dump_arguments import add_dump_arguments
from adapters.commands.planning.asked import (
    add_goal_arguments,
    add_limit_arguments,
    add_start_arguments,
)
from adapters.commands.planning.keeping import keep
from adapters.commands.planning.page import page_of
from adapters.commands.planning.shown import show_plan
from adapters.printable import printable
from schemas.errors import LowhalfError
from schemas.plan_file import load_plan

__all__ = ["add_arguments", "run"]

_SHOW = "show"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "files",
        nargs="+",
        metavar="BRIDGE.toml",
        help="the bridge file; or the word show and a NAME.plan.toml, to draw what was saved",
    )
    add_goal_arguments(parser)
    add_dump_arguments(parser, many=True)
    parser.add_argument(
        "--wait", type=float, default=10.0, metavar="S", help="seconds to wait for a frame (10)"
    )
    add_start_arguments(parser)
    parser.add_argument(
        "--heap", default="", metavar="NAME", help="plan in this one of [heaps]; else in [heap]"
    )
    add_limit_arguments(parser)
    parser.add_argument("--save", type=Path, metavar="FILE", help="keep it as NAME.plan.toml")
    parser.add_argument("--force", action="store_true", help="replace a file that is there")
    parser.add_argument("--json", action="store_true", help="print one JSON object")
    parser.add_argument(
        "--html", type=Path, metavar="FILE", help="draw it as a page that needs nothing else"
    )
    parser.epilog = (
        "exit codes: 0 no sequence is cheaper, and that is proved; 1 there is none, or none within "
        "--frames; 4 cut short by time, memory or Ctrl-C: the best so far"
    )


def run(arguments: argparse.Namespace) -> int:
    first, *rest = arguments.files
    if first == _SHOW:
        return _show(arguments, rest)
    if rest:
        raise LowhalfError(f"expected one bridge file, found {len(rest) + 1}")
    arguments.bridge = Path(first)
    # to draw a plan takes no source and no search
    from adapters.commands.planning.making import make_plan

    return make_plan(arguments)


def _show(arguments: argparse.Namespace, files: Sequence[str]) -> int:
    if len(files) != 1:
        raise LowhalfError(f"expected one NAME.plan.toml behind show, found {len(files)}")
    if arguments.goals:
        raise LowhalfError("show draws a plan that was made; leave what is wanted out")
    plan = load_plan(Path(files[0]))
    if arguments.html is not None:
        keep(arguments.html, page_of(plan), force=arguments.force)
        print(f"drawn in {printable(str(arguments.html))}")
    else:
        show_plan(plan)
    return 0
