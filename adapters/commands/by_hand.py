"""``lowhalf by-hand``: the watches of a game whose memory a person reads off its screen.

Exit code 0 where each watch has its value, or where that is enough its address; 1 where the end
came before, or one has none.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Iterator

from adapters.commands.console.bridge_argument import add_bridge_argument, given_bridge
from adapters.commands.console.telling import tell
from adapters.commands.dialogue.question_lines import (
    question_lines,
    reached_lines,
    reached_words,
)
from adapters.commands.dialogue.spoken import HELP, Spoken, spoken, spoken_json
from adapters.functions import installed_functions
from adapters.json_forms.by_hand import by_hand_json
from adapters.printable import json_text, printable
from adapters.sessions.added_watches import with_watches
from bridge.asking.asking import Asking, Outcome
from bridge.asking.reached import Standing
from bridge.prepared import memory_map, prepare
from schemas.errors import LowhalfError
from schemas.loader import Bridge
from schemas.output_settings import Outputs, OverlayOutput
from schemas.source_settings import TypedSource
from schemas.toml_file import nearest

__all__ = ["add_arguments", "run"]

_REACHED = (Standing.VALUE, Standing.ADDRESS)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    add_bridge_argument(parser, source=False)
    parser.add_argument(
        "--build", metavar="B", help="the build that runs; else its recognise bytes are asked for"
    )
    parser.add_argument(
        "--watch",
        action="append",
        metavar="EXPR",
        help="ask for this watch or expression instead of all watches; may be repeated",
    )
    parser.add_argument(
        "--addresses", action="store_true", help="where each watch stands is enough"
    )
    parser.add_argument(
        "--json",
        action="store_true",
        help="print a JSON object a line, and read one answer a line (json-schema by-hand)",
    )
    parser.add_argument(
        "--page", action="store_true", help="serve the page /by-hand, for a phone, instead"
    )
    parser.add_argument(
        "--listen",
        metavar="ADDRESS:PORT",
        default="127.0.0.1:7365",
        help="where the page is served (127.0.0.1:7365); port 0 takes a free one",
    )


def run(arguments: argparse.Namespace) -> int:
    bridge = _of_build(given_bridge(arguments), arguments.build)
    functions = installed_functions()
    if arguments.watch:
        bridge = with_watches(bridge, arguments.watch, functions)
    if arguments.page:
        if arguments.json or arguments.addresses or arguments.watch:
            raise LowhalfError("--page shows all: leave out --json, --addresses and --watch")
        return _served(bridge, arguments.listen)
    if not bridge.file.watches:
        raise LowhalfError(f"{bridge.path}: has no watch: add [[watches]], or give --watch")
    asking = Asking(
        prepare(bridge, functions),
        memory_map(bridge.schema),
        arguments.watch or [watch.name for watch in bridge.file.watches],
        addresses=arguments.addresses,
    )
    if asking.stuck:
        raise LowhalfError(f"{asking.stuck} with --build")
    if arguments.json:
        _in_json(asking)
    else:
        _in_words(asking)
    return 0 if asking.reached and all(r.standing in _REACHED for r in asking.reached) else 1


def _of_build(bridge: Bridge, build: str | None) -> Bridge:
    """The bridge of a build that is named, with a source that a person types."""
    known = list(bridge.schema.builds)
    if build is not None and build not in known:
        raise LowhalfError(f"unknown build {build}{nearest(build, known)}")
    changes = {"source": TypedSource(kind="typed"), "build": build or bridge.file.build}
    return Bridge(bridge.file.model_copy(update=changes), bridge.text, bridge.schema)


def _served(bridge: Bridge, listen: str) -> int:
    from adapters.commands.run import run_bridge

    outputs = Outputs(overlay=OverlayOutput(listen=listen))
    file = bridge.file.model_copy(update={"outputs": outputs})
    daemon = argparse.Namespace(
        json=False, quiet=True, listen=None, browser=False, seconds=None, stats=False
    )
    tell("open /by-hand below the pages' address, on the phone or here")
    return run_bridge(Bridge(file, bridge.text, bridge.schema), daemon)


def _lines(prompt: Callable[[], None]) -> Iterator[str]:
    """The lines of standard input; *prompt* is called before each."""
    while True:
        prompt()
        line = sys.stdin.readline()
        if not line:
            return
        yield line


def _in_json(asking: Asking) -> None:
    print(json_text(by_hand_json(asking)), flush=True)
    for line in _lines(lambda: None):
        try:
            said = spoken_json(line, doubted=asking.doubted is not None)
        except ValueError as fault:
            print(json_text(by_hand_json(asking, Outcome.REFUSED, str(fault))), flush=True)
            continue
        if said.what == "quit":
            return
        if said.what in ("", "help", "list"):
            outcome, words = "", ""
        else:
            outcome, words = asking.say(said.what, said.text)
        print(json_text(by_hand_json(asking, outcome, words)), flush=True)


def _in_words(asking: Asking) -> None:
    shown = -1
    is_terminal = sys.stdin.isatty()

    def prompt() -> None:
        nonlocal shown
        if asking.revision != shown:
            shown = asking.revision
            for line in _now(asking):
                print(line)
        if is_terminal:
            print("> ", end="")
        sys.stdout.flush()

    for line in _lines(prompt):
        said = spoken(line, doubted=asking.doubted is not None)
        if said.what == "quit":
            return
        _say(asking, said)
    if is_terminal:
        print()


def _say(asking: Asking, said: Spoken) -> None:
    if said.what == "help":
        for word, words in HELP:
            print(f"  {word:15} {words}")
        return
    if said.what == "list":
        for line in reached_lines(asking):
            print(line)
        return
    if not said.what:
        return
    before = {(r.aim.name, r.aim.part): r.standing for r in asking.reached}
    outcome, words = asking.say(said.what, said.text)
    if outcome is Outcome.REFUSED:
        print(printable(f"  not taken: {words}"))
        return
    if outcome is Outcome.TAKEN:
        print(printable(f"  {words}"))
        for reached in asking.reached:
            was = before.get((reached.aim.name, reached.aim.part))
            if was is not reached.standing and reached.standing is not Standing.ASKED:
                print(f"  {reached_words(reached)}")


def _now(asking: Asking) -> Iterator[str]:
    """What the person is to know before the next line."""
    doubted = asking.doubted
    if doubted is not None:
        yield printable(f"  {doubted.words} is odd: {doubted.why}")
        yield "  does it really stand there? yes, or type what does"
        return
    yield ""
    if asking.stuck:
        yield asking.stuck
    elif asking.question is not None:
        yield from question_lines(asking.question)
    else:
        yield from reached_lines(asking)
        yield ""
        yield "nothing more is asked; frame or room where the game has gone on, ? for more"
