"""The packages and what each is for, by their own docstrings."""

from __future__ import annotations

import ast
from pathlib import Path

from docs.from_code.markdown import code, table

ROOT = Path(__file__).parents[2]
PACKAGES = ("schemas", "bridge", "adapters", "lowhalf")


def rooms() -> str:
    """A row a package."""
    return table(["package", "what is in it"], ([code(n), t] for n, t in told().items()))


def told() -> dict[str, str]:
    """The first paragraph of each package's docstring, by the package's name; "" without one."""
    return {
        ".".join(file.parent.relative_to(ROOT).parts): _first(file)
        for name in PACKAGES
        for file in sorted((ROOT / name).rglob("__init__.py"))
    }


def _first(file: Path) -> str:
    text = ast.get_docstring(ast.parse(file.read_text("utf-8"))) or ""
    return " ".join(text.partition("\n\n")[0].replace("``", "`").split())
