"""All functions that expressions can call: lowhalf's own, and those of installed packages.

A package adds a function by an entry in the group ``lowhalf.functions``, whose name is the
function's and whose object is a ``bridge.expressions.functions.function.Function``.
"""

from __future__ import annotations

import keyword
from collections.abc import Mapping

from adapters.extensions import entries, loaded, wrong
from bridge.expressions.functions.function import Function
from bridge.expressions.functions.table import FUNCTIONS

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
        functions[name] = function
    return functions
