"""The errors that lowhalf raises on purpose."""

from __future__ import annotations

import inspect
import textwrap
from collections.abc import Iterator

from docs.from_code.markdown import table
from schemas import errors as module


def errors() -> str:
    """The tree as the module draws it, then what each says."""
    tree = next(
        block
        for block in (inspect.getdoc(module) or "").split("\n\n")
        if block.lstrip().startswith("LowhalfError")
    )
    rows = ([f"`{kind.__name__}`", _told(kind)] for kind in kinds())
    return f"```text\n{textwrap.dedent(tree)}\n```\n\n" + table(["error", "means"], rows)


def kinds() -> Iterator[type[Exception]]:
    """Every kind of error, each after the one that it is a kind of."""
    yield from _below(module.LowhalfError)


def _below(kind: type[Exception]) -> Iterator[type[Exception]]:
    yield kind
    for further in kind.__subclasses__():
        if further.__module__ == module.__name__:
            yield from _below(further)


def _told(kind: type) -> str:
    """Its docstring; names that stand in two backticks there stand in one here."""
    return " ".join((kind.__doc__ or "").replace("``", "`").split())
