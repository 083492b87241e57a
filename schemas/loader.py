"""A bridge file loaded together with the schema that it names."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from schemas.bridge_file import BridgeFile
from schemas.compiler import Schema, load_schema
from schemas.errors import BridgeFileError
from schemas.toml_file import TomlText, nearest


@dataclass(frozen=True, slots=True)
class Bridge:
    """A bridge file, its text for errors that are found later, and its schema."""

    file: BridgeFile
    text: TomlText
    schema: Schema

    @property
    def path(self) -> Path:
        return self.text.path

    @property
    def name(self) -> str:
        """The file's name without its endings."""
        return self.path.name.removesuffix(".toml").removesuffix(".bridge")


def load_bridge(path: Path) -> Bridge:
    """Read and check a bridge file and its schema.  Raises BridgeFileError, SchemaError."""
    text = TomlText.read(path, BridgeFileError)
    file = text.model(BridgeFile)
    schema_path = path.parent / file.schema_path
    if not schema_path.is_file():
        raise text.error(("schema",), f"there is no file {schema_path}")
    schema = load_schema(schema_path)
    if file.build != "auto" and file.build not in schema.builds:
        hint = nearest(file.build, [*schema.builds, "auto"])
        raise text.error(("build",), f'the schema has no build "{file.build}"{hint}')
    taken = {
        **dict.fromkeys(schema.file.symbols, "a symbol"),
        **dict.fromkeys(schema.file.enums, "an enumeration"),
    }
    named: set[str] = set()
    for index, watch in enumerate(file.watches):
        if watch.name in named:
            raise text.error(("watches", index, "name"), f"two watches are named {watch.name}")
        named.add(watch.name)
        if watch.name in taken:
            raise text.error(
                ("watches", index, "name"),
                f"{watch.name} is already the name of {taken[watch.name]} of the schema",
            )
    return Bridge(file, text, schema)
