"""The commands with their arguments, from the parsers that read them."""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from contextlib import redirect_stdout, suppress
from importlib import import_module
from io import StringIO

from adapters.commands.main import COMMANDS
from docs.from_code.markdown import code, table


def commands() -> str:
    """A heading a command, with its usage and a row an argument."""
    return "\n\n".join(_told(name, about, parser) for name, about, parser in parsers())


def parsers() -> Iterator[tuple[str, str, argparse.ArgumentParser]]:
    """Each command, and each part of those that have parts: its words, what it does, its parser."""
    for name, about in COMMANDS.items():
        module = import_module(f"adapters.commands.{name.replace('-', '_')}")
        parser = argparse.ArgumentParser(prog=f"lowhalf {name}", add_help=False)
        module.add_arguments(parser)
        yield name, about, parser
        for part, inner in parts_of(parser).items():
            with redirect_stdout(StringIO()), suppress(SystemExit):
                inner.parse_args(["--help"])  # a solver has its arguments once it is asked
            yield f"{name} {part}", _helps(parser).get(part) or "", inner


def parts_of(parser: argparse.ArgumentParser) -> dict[str, argparse.ArgumentParser]:
    """The parsers of a command's parts, by the word that asks for each."""
    return {
        name: part
        for action in parser._actions
        if isinstance(action, argparse._SubParsersAction)
        for name, part in action.choices.items()
    }


def arguments_of(parser: argparse.ArgumentParser) -> list[tuple[str, str]]:
    """How each argument is written, and what it is for."""
    return [
        (_written(action, parser), _help(action, parser))
        for action in parser._actions
        if not isinstance(action, argparse._SubParsersAction | argparse._HelpAction)
    ]


def _told(name: str, about: str, parser: argparse.ArgumentParser) -> str:
    level = "##" if " " not in name else "###"
    text = f"{level} lowhalf {name}\n\n{about[:1].upper()}{about[1:]}.\n"
    if not parts_of(parser):
        usage = " ".join(parser.format_usage().removeprefix("usage: ").split())
        text += f"\n```text\n{usage}\n```\n"
    rows = [(code(written), words) for written, words in arguments_of(parser)]
    return text + (f"\n{table(['argument', 'means'], rows)}\n" if rows else "")


def _helps(parser: argparse.ArgumentParser) -> dict[str, str | None]:
    return {
        choice.dest: choice.help
        for action in parser._actions
        if isinstance(action, argparse._SubParsersAction)
        for choice in action._choices_actions
    }


def _written(action: argparse.Action, parser: argparse.ArgumentParser) -> str:
    formatter = parser._get_formatter()
    if not action.option_strings:
        return formatter._metavar_formatter(action, action.dest)(1)[0]
    default = formatter._get_default_metavar_for_optional(action)
    value = "" if action.nargs == 0 else f" {formatter._format_args(action, default)}"
    return ", ".join(action.option_strings) + value


def _help(action: argparse.Action, parser: argparse.ArgumentParser) -> str:
    return parser._get_formatter()._expand_help(action) if action.help else ""
