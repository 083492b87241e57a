"""A bridge with further watches: expressions that are asked for beside those of its file."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from bridge.expressions.compiling import check
from bridge.expressions.functions.function import Function
from schemas.bridge_file import WatchTable
from schemas.loader import Bridge

__all__ = ["ADDED", "with_watches"]

ADDED = ""
"""The name under which an expression is checked: one that no expression can use."""


def with_watches(
    bridge: Bridge, expressions: Iterable[str], functions: Mapping[str, Function]
) -> Bridge:
    """The bridge with further watches, each named by its expression; known names are left out.

    *functions* can be called.  Raises ExpressionError.
    """
    known = {watch.name: watch.expr for watch in bridge.file.watches}
    added = {text: text for text in expressions if text not in known}
    for layout in bridge.schema.builds.values():
        if bridge.file.build in ("auto", layout.name):
            for text in added:
                check(layout, {**known, ADDED: text}, functions=functions)
    tables = [
        WatchTable.model_construct(name=text, label="", expr=text, show="", target=None, group="")
        for text in added
    ]
    file = bridge.file.model_copy(update={"watches": (*bridge.file.watches, *tables)})
    return Bridge(file, bridge.text, bridge.schema)
