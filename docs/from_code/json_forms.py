"""The forms of JSON that lowhalf gives out, from the models that describe them."""

from __future__ import annotations

from typing import Any

from adapters.commands.json_schema import json_schema
from adapters.json_forms.shapes import FORMS
from docs.from_code.markdown import code, table
from docs.from_code.settings import type_words


def json_forms() -> str:
    """A heading a form: its objects with a row a key each."""
    return "\n\n".join(_told(name) for name in FORMS)


def objects(name: str) -> dict[str, dict[str, Any]]:
    """The objects of a form, by their names, the whole one first."""
    schema = json_schema(name)
    inner = {
        title.removesuffix("Form"): shape
        for title, shape in schema.get("$defs", {}).items()
        if shape.get("type") == "object"
    }
    return {"": schema, **inner}


def _told(name: str) -> str:
    known = json_schema(name).get("$defs", {})
    parts = [f"## {name}"]
    for title, shape in objects(name).items():
        if title:
            parts.append(f"### {title} of {name}")
        parts += [shape["description"], _keys(shape, known)]
    return "\n\n".join(parts)


def _keys(shape: dict[str, Any], known: dict[str, Any]) -> str:
    required = shape.get("required", [])
    return table(
        ["key", "is", "there", "means"],
        (
            [
                code(key),
                type_words(each, known),
                "always" if key in required else "sometimes",
                each.get("description", ""),
            ]
            for key, each in shape["properties"].items()
        ),
    )
