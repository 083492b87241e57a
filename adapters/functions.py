"""All functions that expressions can call: lowhalf's own, and those of installed packages.

A package adds a function by an entry in the group ``lowhalf.functions``, whose name is the
function's and whose object is a ``bridge.expressions.functions.function.Function``.
"""

from __future__ import annotations

import ast
import keyword
from collections.abc import Callable, Mapping
from dataclasses import replace
from functools import partial
from importlib.metadata import EntryPoint
from typing import Any

from adapters.extensions import entries, loaded, wrong
from bridge.expressions import nodes
from bridge.expressions.arithmetic import Undefined
from bridge.expressions.checker import Checker
from bridge.expressions.functions.function import Check, Function
from bridge.expressions.functions.table import FUNCTIONS
from schemas.errors import LowhalfError

__all__ = ["GROUP", "installed_functions"]

GROUP = "lowhalf.functions"


def installed_functions() -> Mapping[str, Function]:
    """Every function by its name, for ``bridge.prepared.prepare``.

    Raises ExtensionError where one of a package's is not as it has to be, or its name is taken.
    """
    functions = dict(FUNCTIONS)
    for name, entry in entries(GROUP, FUNCTIONS).items():
        function = loaded(entry)
        if not isinstance(function, Function):
            expected = f"{Function.__module__}.{Function.__name__}"
            raise wrong(entry, f"expected a {expected}, found {function!r}")
        if not name.isidentifier() or keyword.iskeyword(name):
            raise wrong(entry, "expected a name that an expression can call")
        if not function.form.startswith(f"{name}("):
            raise wrong(entry, f"its form: expected {name}(…), found {function.form}")
        functions[name] = replace(function, check=partial(_check, entry, function.check))
    return functions


def _check(entry: EntryPoint, check: Check, checker: Checker, tree: ast.Call) -> nodes.Expr:
    """What a package's check makes of a call.  Raises ExtensionError where it fails itself."""
    try:
        node = check(checker, tree)
    except LowhalfError:
        raise
    except Exception as fault:  # a package's code may fail in any way
        raise wrong(entry, f"its check failed ({_words(fault)}); update it") from fault
    if not isinstance(node, nodes.Expr):
        raise wrong(entry, f"its check: expected a node, found {node!r}")
    if isinstance(node, nodes.Apply):
        return replace(node, call=partial(_call, entry.name, node.call))
    if isinstance(node, nodes.OfBlocks):
        return replace(node, call=partial(_call, entry.name, node.call))
    return node


def _call(name: str, call: Callable[..., Any], *arguments: Any) -> Any:
    """What a package's function gives; whatever it raises is an error of the watch alone."""
    try:
        return call(*arguments)
    except ArithmeticError:
        raise
    except Exception as fault:
        raise Undefined(f"{name} failed ({_words(fault)})") from None


def _words(fault: Exception) -> str:
    return f"{type(fault).__name__}: {fault}"
