"""What a plan is asked for on the command line: goals in their order, bounds, what to avoid."""

from __future__ import annotations

import argparse
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from adapters.commands.console import numbers
from bridge.planning.model import Limits
from bridge.planning.wishes import Sort, Wish
from schemas.errors import LowhalfError
from schemas.sizes import byte_count

__all__ = [
    "MAX_OTHERS",
    "Asked",
    "add_goal_arguments",
    "add_limit_arguments",
    "add_start_arguments",
    "asked_of",
    "limits_of",
]

MAX_OTHERS = 50
"""The most further plans that are looked for."""
_GOALS = {
    "--want": ("KIND", "a block of this kind is wanted, where --at or --cover says"),
    "--at": ("ADDRESS-OR-EXPR", "the wanted block's payload starts there: where a pointer points"),
    "--put": ("KIND.FIELD", "a field of a new block is wanted where --under says"),
    "--under": ("EXPR", "the field that a stale pointer reaches, such as courier.held.timer"),
    "--cover": ("ADDRESS-OR-EXPR", "a block holds it; of the kind of --want, or of any"),
    "--free": ("ADDRESS-OR-EXPR", "a free block covers it"),
    "--layout": ("FILE", "the heap is as NAME.layout.toml has it, which may have wildcards"),
    "--avoid": ("NAME-OR-EXPR", "an action that must not be used, or what no block may cover"),
}


@dataclass(slots=True)
class Asked:
    """``avoid`` are names of actions or expressions, as they were given."""

    wishes: list[Wish] = field(default_factory=list)
    layouts: list[Path] = field(default_factory=list)
    avoid: list[str] = field(default_factory=list)


class _Note(argparse.Action):
    """Keeps the options of goals in the order in which they were given."""

    def __call__(
        self,
        parser: argparse.ArgumentParser,
        namespace: argparse.Namespace,
        values: Any,
        option_string: str | None = None,
    ) -> None:
        noted = [*(getattr(namespace, "goals", None) or ()), (self.option_strings[0], values)]
        namespace.goals = noted


def add_goal_arguments(parser: argparse.ArgumentParser) -> None:
    """The options that say what is wanted; each may be given several times."""
    group = parser.add_argument_group("what is wanted", "all of it has to hold in the end")
    for option, (metavar, words) in _GOALS.items():
        group.add_argument(option, action=_Note, dest="goals", metavar=metavar, help=words)


def add_limit_arguments(parser: argparse.ArgumentParser) -> None:
    """The options that say how far to look."""
    group = parser.add_argument_group("how far to look")
    limits = Limits()
    group.add_argument(
        "--frames", type=numbers.count, metavar="N", help="only plans of at most N frames"
    )
    group.add_argument(
        "--precise",
        type=numbers.count,
        metavar="N",
        help="only plans with at most N inputs that must be right to the frame",
    )
    group.add_argument(
        "--others",
        type=numbers.count,
        default=0,
        metavar="N",
        help=f"the next N plans as well, at most {MAX_OTHERS}",
    )
    group.add_argument(
        "--seconds",
        type=float,
        default=limits.seconds,
        metavar="S",
        help=f"look for at most S seconds ({limits.seconds:g})",
    )
    group.add_argument(
        "--memory",
        type=_memory,
        default=limits.memory,
        metavar="SIZE",
        help='with at most so much memory, such as "512 MiB" (1 GiB)',
    )


def add_start_arguments(parser: argparse.ArgumentParser) -> None:
    """The options that say what a plan starts from and which builds it is for."""
    parser.add_argument(
        "--from",
        type=Path,
        dest="start",
        metavar="FILE",
        help="start from a NAME.layout.toml, or from where a NAME.plan.toml started",
    )
    parser.add_argument(
        "--state",
        action="append",
        default=[],
        metavar="NAME=N",
        help="with --from a layout: what a state of the schema is",
    )
    parser.add_argument(
        "--builds",
        metavar="NAMES",
        help="one plan for all builds, or for those named, with commas between them; a build that "
        "is not read has the same blocks with its own sizes (the build that is read)",
    )
    parser.add_argument("--build", metavar="NAME", help="the build that is running")


def _memory(text: str) -> int:
    try:
        return int(byte_count(text))
    except ValueError as fault:
        raise argparse.ArgumentTypeError(str(fault)) from None


def limits_of(arguments: argparse.Namespace) -> Limits:
    """How far to look.  Raises LowhalfError."""
    if not 0 < arguments.seconds < 1e6:
        raise LowhalfError(f"--seconds: expected more than 0, found {arguments.seconds:g}")
    if arguments.memory < 1 << 20:
        raise LowhalfError(f"--memory: expected at least 1 MiB, found {arguments.memory} bytes")
    most = Limits().frames
    if arguments.frames is not None and arguments.frames > most:
        raise LowhalfError(f"--frames: expected at most {most}, found {arguments.frames}")
    return Limits(
        frames=most if arguments.frames is None else arguments.frames,
        precise=arguments.precise,
        seconds=arguments.seconds,
        memory=arguments.memory,
        others=min(arguments.others, MAX_OTHERS),
    )


def asked_of(given: Sequence[tuple[str, str]]) -> Asked:
    """What the options of goals come to, in pairs.  Raises LowhalfError for one without its other.

    *given* is each option with its value, in order.
    """
    asked = Asked()
    pending = iter(given)
    for option, value in pending:
        if option == "--want":
            where, place = _partner(pending, f"--want {value}", ("--at", "--cover"))
            sort = Sort.START if where == "--at" else Sort.COVER
            asked.wishes.append(Wish(sort, place, f"--want {value} {where} {place}", value))
        elif option == "--put":
            kind, dot, path = value.partition(".")
            if not (kind and dot and path):
                raise LowhalfError(f"--put {value}: expected KIND.FIELD, such as gull.altitude")
            _, place = _partner(pending, f"--put {value}", ("--under",))
            words = f"--put {value} --under {place}"
            asked.wishes.append(Wish(Sort.FIELD, place, words, kind, path))
        elif option in ("--at", "--under"):
            before = "--want KIND" if option == "--at" else "--put KIND.FIELD"
            raise LowhalfError(f"{option} {value}: expected {before} before it")
        elif option == "--layout":
            asked.layouts.append(Path(value))
        elif option == "--avoid":
            asked.avoid.append(value)
        else:
            sort = Sort.COVER if option == "--cover" else Sort.FREE
            asked.wishes.append(Wish(sort, value, f"{option} {value}"))
    if not (asked.wishes or asked.layouts):
        raise LowhalfError(
            "nothing is wanted: give --want KIND --at EXPR, --put KIND.FIELD --under EXPR, "
            "--cover, --free or --layout"
        )
    return asked


def _partner(
    pending: Iterator[tuple[str, str]], what: str, expected: Sequence[str]
) -> tuple[str, str]:
    option, value = next(pending, ("", ""))
    if option not in expected:
        found = f", found {option}" if option else ""
        raise LowhalfError(f"{what}: expected {' or '.join(expected)} behind it{found}")
    return option, value
