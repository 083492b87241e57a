"""Every table of the TOML files with its settings, from the models that read them."""

from __future__ import annotations

import json
import typing
from collections.abc import Iterator
from typing import Any

from pydantic.fields import FieldInfo
from pydantic_core import PydanticUndefined

from docs.from_code.markdown import code, table
from schemas.bridge_file import BridgeFile
from schemas.expect_file import ExpectFile
from schemas.layout_file import LayoutFile
from schemas.output_settings import Outputs
from schemas.pack_manifest import PackManifest
from schemas.plan_file import PlanFile
from schemas.schema_file import MovesFile, SchemaFile
from schemas.source_settings import SOURCES
from schemas.table import Table


def source_models() -> list[type[Table]]:
    """The settings of every kind of source."""
    return list(SOURCES.values())


def schema_file() -> str:
    """The tables of a schema file."""
    return _file(SchemaFile)


def bridge_file() -> str:
    """The tables of a bridge file; sources and outputs have pages of their own."""
    return _file(BridgeFile, without=(*source_models(), Outputs))


def layout_file() -> str:
    """The tables of a layout file."""
    return _file(LayoutFile)


def plan_file() -> str:
    """The tables of a plan file."""
    return _file(PlanFile)


def expect_file() -> str:
    """The tables of a file of expectations."""
    return _file(ExpectFile)


def moves_file() -> str:
    """The tables of a file of moves."""
    return _file(MovesFile)


def pack_manifest() -> str:
    """The tables of a pack's manifest."""
    return _file(PackManifest)


def sources() -> str:
    """A heading a kind of source."""
    return "\n\n".join(
        f"## {kind_of(model)}\n\n{_about(model)}\n\n{_settings(model)}" for model in source_models()
    )


def outputs() -> str:
    """A heading a kind of output."""
    return "\n\n".join(
        f"## {path.strip('[]')}\n\n{_about(model)}\n\n{_settings(model)}".rstrip()
        for path, model in tables(Outputs, "outputs")
        if model is not Outputs
    )


def kind_of(model: type[Table]) -> str:
    """What ``kind`` names a source by."""
    return next(kind for kind, settings in SOURCES.items() if settings is model)


def tables(
    model: type[Table], path: str = "", without: tuple[type[Table], ...] = ()
) -> Iterator[tuple[str, type[Table]]]:
    """*model* and every table in it, each with its heading as the file has it, once."""
    yield f"[{path}]" if path and not path.startswith("[") else path, model
    for name, field in model.model_fields.items():
        for inner, repeated, named in _tables_in(field.annotation):
            if inner in without:
                continue
            below = ".".join(filter(None, (path.strip("[]"), field.alias or name)))
            below += ".NAME" if named else ""
            yield from tables(inner, f"[[{below}]]" if repeated else below, without)
    if model.model_config.get("extra") == "allow":
        others = typing.get_type_hints(model, include_extras=True)["__pydantic_extra__"]
        for inner, _, _ in _tables_in(others):
            yield from tables(inner, f"{path.strip('[]')}.NAME", without)


def _tables_in(annotation: Any) -> Iterator[tuple[type[Table], bool, bool]]:
    """The tables of a field's type, and whether there are several in order, or by name."""
    if isinstance(annotation, type) and issubclass(annotation, Table):
        yield annotation, False, False
        return
    origin = typing.get_origin(annotation)
    for inner in typing.get_args(annotation):
        for model, repeated, named in _tables_in(inner):
            yield model, repeated or origin is tuple, named or origin is dict


def _file(model: type[Table], without: tuple[type[Table], ...] = ()) -> str:
    told: list[str] = []
    for path, inner in tables(model, without=without):
        heading = f"## {code(path)}" if path else "## The file itself"
        told.append(f"{heading}\n\n{_about(inner)}\n\n{_settings(inner)}")
    return "\n\n".join(told)


def _about(model: type[Table]) -> str:
    """The model's docstring; names that stand in two backticks there stand in one here."""
    lines = (model.__doc__ or "").replace("``", "`").split("\n\n")
    return "\n\n".join(" ".join(part.split()) for part in lines)


def _settings(model: type[Table]) -> str:
    """A row a setting that is a value; tables have headings of their own."""
    shapes = model.model_json_schema(by_alias=True)
    rows = []
    for name, field in model.model_fields.items():
        written = field.alias or name
        shape = shapes["properties"][written]
        if not (field.description or "const" in shape):
            continue
        rows.append(
            [
                code(written),
                type_words(shape, shapes.get("$defs", {})).removesuffix(" or null"),
                _default(field),
                field.description or "this kind",
            ]
        )
    return table(["setting", "is", "default", "means"], rows) if rows else "It has no settings."


def type_words(shape: dict[str, Any], known: dict[str, Any]) -> str:
    """What may be written, in words."""
    if "$ref" in shape:
        name = str(shape["$ref"]).rpartition("/")[2]
        if name.endswith("Form"):
            return name.removesuffix("Form")
        shape = known[name]
    if "const" in shape:
        return code(json.dumps(shape["const"]))
    if "enum" in shape:
        return ", ".join(code(json.dumps(each)) for each in shape["enum"])
    if "anyOf" in shape:
        return " or ".join(dict.fromkeys(type_words(each, known) for each in shape["anyOf"]))
    match shape.get("type"):
        case "array" if "prefixItems" in shape:
            each = " and ".join(type_words(each, known) for each in shape["prefixItems"])
            return f"array of {each}"
        case "array":
            return f"array of {type_words(shape['items'], known)}"
        case "object" if "properties" not in shape:
            return f"table of {type_words(shape['additionalProperties'], known)}"
        case "object":
            return "table"
        case "null":
            return "null"
        case "string":
            return "text"
        case "boolean":
            return "true or false"
        case "integer":
            return "whole number" + _bounds(shape)
        case "number":
            return "number" + _bounds(shape)
    return "anything"


def _bounds(shape: dict[str, Any]) -> str:
    words = {
        "exclusiveMinimum": "above",
        "minimum": "from",
        "exclusiveMaximum": "below",
        "maximum": "up to",
    }
    found = [f"{word} {_number(shape[key])}" for key, word in words.items() if key in shape]
    return f" {', '.join(found)}" if found else ""


def _number(value: float) -> str:
    if value >= 1 << 32 and value == int(value) and int(value) & (int(value) - 1) == 0:
        return f"2^{int(value).bit_length() - 1}"
    return f"{value:g}" if value < 1e6 else str(int(value))


def _default(field: FieldInfo) -> str:
    value = field.default
    if value is PydanticUndefined:
        return "none" if field.default_factory else "required"
    if value is None or value in ((), {}, ""):
        return "none"
    if isinstance(value, int) and not isinstance(value, bool) and value >= 1 << 20:
        return code(str(value))
    return code(json.dumps(value))
