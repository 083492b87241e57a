"""The functions of the expression language."""

from __future__ import annotations

from bridge.expressions.functions.table import FUNCTIONS
from docs.from_code.markdown import code, table


def functions() -> str:
    """A row a function."""
    return table(
        ["function", "gives"],
        ([code(function.form), function.gives] for function in FUNCTIONS.values()),
    )
