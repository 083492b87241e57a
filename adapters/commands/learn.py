"""``lowhalf learn``: what actions do to the heap and how blocks are handed out, from recordings."""

from __future__ import annotations

import argparse
from pathlib import Path

from adapters.commands.console.dump_arguments import add_dump_arguments
from adapters.commands.console.telling import tell
from adapters.commands.learning.gathering import (
    add_gathering_arguments,
    disagreeing,
    gather,
)
from adapters.commands.learning.writing import write
from adapters.json_forms.learned import learned_json
from adapters.printable import json_text, printable
from bridge.planning.learning.report import report
from bridge.planning.learning.tables import learned_tables
from schemas.errors import LowhalfError

__all__ = ["add_arguments", "run"]

_NEXT = "next"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "files",
        nargs="+",
        metavar="BRIDGE.toml",
        help="the bridge file; behind the word next, what to do to learn more is told",
    )
    add_gathering_arguments(parser)
    parser.add_argument(
        "--write",
        type=Path,
        metavar="FILE",
        help="write what is learned as TOML: a new file, or added to a schema, in which nothing "
        "that stands there is changed",
    )
    parser.add_argument("--json", action="store_true", help="print one JSON object")
    following = parser.add_argument_group("next")
    following.add_argument(
        "--actions", type=int, default=6, metavar="N", help="actions of an experiment at most (6)"
    )
    add_dump_arguments(following, many=False)  # type: ignore[arg-type]
    parser.epilog = (
        "exit codes: 0 done; 1 nothing explains what was seen, the schema or FILE says "
        "otherwise, or no experiment tells what is left apart; 4 cut short by --seconds"
    )


def run(arguments: argparse.Namespace) -> int:
    first, *rest = arguments.files
    following = first == _NEXT
    files = rest if following else arguments.files
    if len(files) != 1:
        raise LowhalfError(f"expected one bridge file, found {len(files)}")
    path = Path(files[0])
    if arguments.seconds <= 0:
        raise LowhalfError(f"--seconds: expected more than 0, found {arguments.seconds:g}")
    if not 1 <= arguments.actions <= 64:
        raise LowhalfError(f"--actions: expected 1 to 64, found {arguments.actions}")
    if following:
        if arguments.write is not None:
            raise LowhalfError("next writes nothing; leave --write out")
        from adapters.commands.learning.experiment import learn_next

        return learn_next(arguments, path)
    return _learn(arguments, path)


def _learn(arguments: argparse.Namespace, path: Path) -> int:
    gathered = gather(arguments, path)
    learned, names = gathered.learned, gathered.names
    against = disagreeing(gathered)
    if arguments.json:
        print(json_text({**learned_json(learned, names), "disagreements": against}))
    else:
        for line in report(learned, names):
            print(printable(line))
        if against:
            print()
        for line in against:
            print(printable(line))
    agrees = True
    if arguments.write is not None:
        tables = learned_tables(learned, names, gathered.sizes, gathered.heap)
        if tables:
            agrees = write(arguments.write, tables)
        else:
            tell(f"nothing is learned that could be written to {arguments.write}")
    if learned.cut_short:
        return 4
    return 0 if agrees and learned.models and not against else 1
