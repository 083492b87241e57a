"""``lowhalf json-schema``: the JSON Schema of either file, for editors."""

from __future__ import annotations

import argparse
import json
from typing import Any

from adapters.sessions.kinds import ADDED
from schemas.bridge_model import whole_bridge_model
from schemas.schema_file import SchemaFile

DIALECT = "https://json-schema.org/draft/2020-12/schema"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("file", choices=("schema", "bridge"), help="which of the two files")


def json_schema(file: str) -> dict[str, Any]:
    """The JSON Schema (draft 2020-12) of ``schema`` or ``bridge``, with all kinds installed.

    Raises ExtensionError.
    """
    model = SchemaFile if file == "schema" else whole_bridge_model(ADDED)
    return {"$schema": DIALECT, **model.model_json_schema(by_alias=True)}


def run(arguments: argparse.Namespace) -> int:
    print(json.dumps(json_schema(arguments.file), indent=2))
    return 0
