"""``lowhalf json-schema``: JSON Schemas of TOML files, for editors, and of all JSON given out."""

from __future__ import annotations

import argparse
import json
from typing import Any

from adapters.sessions.kinds import ADDED
from schemas.bridge_model import whole_bridge_model
from schemas.expect_file import ExpectFile
from schemas.schema_file import SchemaFile

__all__ = ["DIALECT", "FORM_NAMES", "add_arguments", "json_schema", "run"]

FORM_NAMES = (
    *("frame", "explain", "heap", "heap-event", "heap-events-compared", "sent-heap-event"),
    *("layout", "where", "half", "turn", "walk", "hex", "write"),
    *("tallies", "attempts", "event", "verify", "compare", "query", "check", "plan", "sheet"),
    *("learn", "learn-next"),
    *("by-hand", "pack", "unpack"),
)
"""What ``adapters.json_forms.shapes`` describes, which is loaded once one is asked for."""
DIALECT = "https://json-schema.org/draft/2020-12/schema"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "file",
        choices=("schema", "bridge", "expect", *FORM_NAMES),
        metavar="NAME",
        help=f"a file, schema, bridge or expect; or a form of JSON: {', '.join(FORM_NAMES)}",
    )


def json_schema(file: str) -> dict[str, Any]:
    """The JSON Schema (draft 2020-12) of a file, with all kinds installed, or of a form of JSON.

    Raises ExtensionError.
    """
    if file in FORM_NAMES:
        from adapters.json_forms.shapes import FORMS

        return {"$schema": DIALECT, **FORMS[file].model_json_schema(by_alias=True)}
    if file == "expect":
        return {"$schema": DIALECT, **ExpectFile.model_json_schema(by_alias=True)}
    model = SchemaFile if file == "schema" else whole_bridge_model(ADDED)
    return {"$schema": DIALECT, **model.model_json_schema(by_alias=True)}


def run(arguments: argparse.Namespace) -> int:
    print(json.dumps(json_schema(arguments.file), indent=2))
    return 0
