"""Whether what ``[walks]`` reads in a game is there on every build, and of the right type."""

from __future__ import annotations

from bridge.expressions.compiling import check
from bridge.prepared import PreparedBuild
from bridge.solvers.walks.tables import lasting_names
from bridge.values.value_type import ValueType
from schemas.errors import ExpressionError
from schemas.toml_lines import Key
from schemas.walk_table import COORDINATES

__all__ = ["check_walks_of"]


def check_walks_of(prepared: PreparedBuild) -> None:
    """Refuse expressions of ``[walks]`` that are wrong.  Raises SchemaError with their line."""
    walks = prepared.layout.walks
    if walks is None:
        return
    names = lasting_names(walks)
    if walks.position is not None:
        for name in (name for name in COORDINATES if name in names):
            found = _type(prepared, ("walks", "position"), f"{walks.position}.{name}")
            _expect(prepared, ("walks", "position"), f"{walks.position}.{name}", found, "f32")
    for name, text in walks.variables.items():
        path: tuple[Key, ...] = ("walks", "variables", name)
        _expect(prepared, path, text, _type(prepared, path, text), "f32")
    if walks.facing is not None:
        path = ("walks", "facing")
        _expect(prepared, path, walks.facing, _type(prepared, path, walks.facing), "angle16")
    if walks.sine is not None and walks.sine.symbol is not None:
        path, text = ("walks", "sine", "symbol"), f"{walks.sine.symbol}[3]"
        _expect(prepared, path, text, _type(prepared, path, text), "f32")


def _type(prepared: PreparedBuild, path: tuple[Key, ...], text: str) -> ValueType:
    try:
        program = check(prepared.layout, {"": text}, ("",), prepared.functions)
    except ExpressionError as fault:
        caret = str(fault).partition("\n")[2]
        message = f"{fault.detail} (build {prepared.layout.name})\n{caret}"
        raise prepared.layout.error(path, message) from fault
    return program.slots[program.watches[""]].type


def _expect(
    prepared: PreparedBuild, path: tuple[Key, ...], text: str, found: ValueType, wanted: str
) -> None:
    if not (found.single if wanted == "f32" else found.angle):
        message = f"{text} is a {found.name}, expected an {wanted} (build {prepared.layout.name})"
        raise prepared.layout.error(path, message)
