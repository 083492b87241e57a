"""Each module says what it offers: its ``__all__`` has every public name that it defines."""

from __future__ import annotations

import ast
from collections.abc import Iterable, Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
MODULES = sorted(
    path for package in ("schemas", "bridge", "adapters") for path in (ROOT / package).rglob("*.py")
)


def defined(body: Iterable[ast.stmt]) -> Iterator[str]:
    """Names of classes, functions and constants, also of those that only some systems have."""
    for node in body:
        match node:
            case ast.ClassDef() | ast.FunctionDef() | ast.AsyncFunctionDef():
                yield node.name
            case ast.Assign(value=ast.Call(func=ast.Name("TypeVar"))):
                """A word of the annotations in this module, no constant."""
            case ast.Assign():
                yield from names_in(node.targets)
            case ast.AnnAssign():
                yield from names_in([node.target])
            case ast.If():
                yield from defined([*node.body, *node.orelse])
            case ast.Try():
                handlers = [stmt for each in node.handlers for stmt in each.body]
                yield from defined([*node.body, *handlers, *node.orelse, *node.finalbody])


def names_in(targets: Iterable[ast.expr]) -> Iterator[str]:
    for target in targets:
        match target:
            case ast.Name():
                yield target.id
            case ast.Tuple() | ast.List():
                yield from names_in(target.elts)


def imported(body: Iterable[ast.stmt]) -> set[str]:
    return {
        alias.asname or alias.name
        for node in body
        if isinstance(node, ast.Import | ast.ImportFrom)
        for alias in node.names
    }


def offered(tree: ast.Module) -> list[str] | None:
    """The list of ``__all__``; None where there is none."""
    for node in tree.body:
        match node:
            case ast.Assign(targets=[ast.Name(id="__all__")], value=value):
                return list(ast.literal_eval(value))
    return None


@pytest.mark.parametrize("path", MODULES, ids=lambda path: str(path.relative_to(ROOT)))
def test_it_offers_each_public_name_that_it_defines_and_none_that_is_not_there(path: Path) -> None:
    tree = ast.parse(path.read_text("utf-8"))
    names = set(defined(tree.body))
    public = {name for name in names if not name.startswith("_")}
    found = offered(tree)
    assert sorted(public - set(found or ())) == []
    if found is not None:
        assert found, "no name is offered: leave __all__ out"
        assert len(set(found)) == len(found)
        assert sorted(set(found) - names - imported(tree.body)) == []


def test_what_is_looked_for_is_found() -> None:
    body = ast.parse(
        "import os\nA, (B, _c) = 1, (2, 3)\nD: int = 4\nE.x = F[0] = 5\n"
        "if os:\n    class G: H = 1\nelse:\n    async def i(): j = 1\n"
        "try:\n    K = 1\nexcept OSError:\n    L = 2\nfor m in (): n = 1\nP += 1\n"
        "Q = TypeVar('Q')\n"
    ).body
    assert list(defined(body)) == ["A", "B", "_c", "D", "G", "i", "K", "L"]
    assert imported(body) == {"os"}
    assert offered(ast.parse("a = 1\n__all__ = ['a']")) == ["a"]
    assert offered(ast.parse("a = 1")) is None
    assert len(MODULES) > 200
