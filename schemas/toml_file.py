"""A TOML file read into its model, with errors that tell file, key, line and nearest name."""

from __future__ import annotations

import codecs
import difflib
import tomllib
import types
import typing
from collections.abc import Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from schemas.errors import FileError
from schemas.path_texts import backslash_hint
from schemas.system_words import system_words
from schemas.table import Table, shown
from schemas.toml_lines import Key, line_of
from schemas.windows_paths import openable

__all__ = ["MAX_FILE_SIZE", "Location", "TomlText", "nearest", "toml_path"]

Model = TypeVar("Model", bound=BaseModel)
Location = tuple[Key, ...]
"""Where pydantic found a fault: keys, with the tags of unions."""
MAX_FILE_SIZE = 16 << 20


class TomlText:
    """A TOML file's name and text, and the errors that point into it."""

    def __init__(self, path: Path, text: str, error: type[FileError]) -> None:
        self.path = path
        self.text = text
        self._error = error

    @classmethod
    def read(cls, path: Path, error: type[FileError]) -> TomlText:
        """Read *path*.  Raises *error* where it cannot be read or is not UTF-8."""
        try:
            file = openable(path, drive_relative=True)
            if file.stat().st_size > MAX_FILE_SIZE:
                raise error(f"is larger than {MAX_FILE_SIZE >> 20} MiB", file=str(path))
            text = file.read_text("utf-8-sig")
        except UnicodeDecodeError as fault:
            raise _not_utf_8(path, fault, error) from fault
        except ValueError as fault:
            raise error(f"cannot be read: {fault}", file=str(path)) from fault
        except OSError as fault:
            reason = (system_words(fault) or str(fault)).lower()
            raise error(f"cannot be read: {reason}", file=str(path)) from fault
        return cls(path, text, error)

    def error(self, path: Sequence[Key], message: str) -> FileError:
        """The error of a key, with its line."""
        key = ".".join(str(part) for part in path)
        try:
            line = line_of(self.text, path)
        except RecursionError:
            line = 0
        return self._error(message, file=str(self.path), key=key, line=line)

    def table(self) -> dict[str, Any]:
        """What the text says.  Raises the file's error where it is not TOML."""
        try:
            return tomllib.loads(self.text)
        except tomllib.TOMLDecodeError as fault:
            raise self._syntax(fault) from fault
        except ValueError as fault:
            raise self._error("holds a number of too many digits", file=str(self.path)) from fault
        except RecursionError as fault:
            raise self._error("is nested too deep", file=str(self.path)) from fault

    def model(self, kind: type[Model], table: dict[str, Any] | None = None) -> Model:
        """The text, or the *table* that was read from it, as a model.

        Raises the file's error for the first fault, telling of others.
        """
        data = self.table() if table is None else table
        try:
            return kind.model_validate(data)
        except ValidationError as fault:
            raise self._invalid(kind, fault.errors()) from None

    def _syntax(self, fault: tomllib.TOMLDecodeError) -> FileError:
        message = str(fault)
        line = 0
        if "(at line " in message:
            message, _, place = message.partition(" (at line ")
            line = int(place.split(",")[0])
        elif "(at end" in message:
            message, line = message.partition(" (at end")[0], self.text.count("\n") + 1
        message = f"is not TOML: {message[:1].lower()}{message[1:]}"
        message += backslash_hint(self.text, line, str(fault))
        return self._error(message, file=str(self.path), line=line)

    def _invalid(self, kind: type[BaseModel], faults: list[ErrorDetails]) -> FileError:
        renamed = {fault["loc"]: new for fault in faults if (new := _new_name(kind, fault))}
        if renamed:
            return self._renamed(kind, faults, renamed)
        first = faults[0]
        path = toml_path(kind, first["loc"])
        return self.error(path, _message(kind, first) + _and_more(len(faults) - 1))

    def _renamed(
        self, kind: type[BaseModel], faults: list[ErrorDetails], renamed: Mapping[Location, str]
    ) -> FileError:
        """Keys that are called otherwise now: all of them, with their lines."""
        # what is missing because it stands there under its old name is no other fault
        known = {*renamed, *((*loc[:-1], new) for loc, new in renamed.items())}
        others = sum(fault["loc"] not in known for fault in faults)
        (first, new), *rest = [(toml_path(kind, loc), new) for loc, new in renamed.items()]
        message = f"is called {new} now"
        for path, new in rest:
            message += f"; line {line_of(self.text, path)}: {path[-1]} is called {new}"
        return self.error(first, message + _and_more(others))


def _not_utf_8(path: Path, fault: UnicodeDecodeError, error: type[FileError]) -> FileError:
    """What an editor has done that writes another encoding: the system's code page, or UTF-16."""
    data = bytes(fault.object)
    message = f"is not UTF-8 text: byte {fault.start}"
    if data.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        return error(f"{message}, it is UTF-16; save it as UTF-8", file=str(path))
    line = data.count(b"\n", 0, fault.start) + 1
    found = f"{message} is 0x{data[fault.start]:02X}"
    return error(f"{found}, as in an old code page; save it as UTF-8", file=str(path), line=line)


def _and_more(faults: int) -> str:
    if not faults:
        return ""
    return f" (and {faults} more {'fault' if faults == 1 else 'faults'} in this file)"


def nearest(found: str, known: Iterable[str]) -> str:
    """A hint that names the closest known name, or all of them where they are few."""
    names = sorted(set(known))
    close = difflib.get_close_matches(found, names, 1, 0.6)
    if close:
        return f"; did you mean {close[0]}?"
    if names and len(names) <= 12:
        return f"; known: {', '.join(names)}"
    return ""


def toml_path(kind: type[BaseModel], loc: Sequence[Key]) -> tuple[Key, ...]:
    """A pydantic location as keys of the file: without the tags of unions."""
    path: list[Key] = []
    annotation: Any = kind
    for part in loc:
        annotation, is_key = _step(annotation, part)
        if is_key and part != "[key]":
            path.append(part)
    return tuple(path)


def _new_name(kind: type[BaseModel], fault: ErrorDetails) -> str:
    """What a key that is not known is called now; empty where it never was one."""
    if fault["type"] != "extra_forbidden":
        return ""
    annotation: Any = kind
    for part in fault["loc"][:-1]:
        annotation, _ = _step(annotation, part)
    key = str(fault["loc"][-1])
    tables = [table for table in _tables(annotation) if issubclass(table, Table)]
    return next((table.renamed[key] for table in tables if key in table.renamed), "")


def _message(kind: type[BaseModel], fault: ErrorDetails) -> str:
    found = fault["input"]
    code = fault["type"]
    context = fault.get("ctx", {})
    if code == "extra_forbidden":
        annotation: Any = kind
        for part in fault["loc"][:-1]:
            annotation, _ = _step(annotation, part)
        return f"unknown key{nearest(str(fault['loc'][-1]), _known_keys(annotation))}"
    if code == "missing":
        return "is missing"
    if code == "value_error":
        return str(context["error"])
    if code in ("literal_error", "union_tag_invalid"):
        expected = context.get("expected") or context["expected_tags"]
        value = str(context.get("tag", found))
        options = [word.strip(" '") for word in expected.replace(" or ", ", ").split(",")]
        hint = nearest(value, options)
        return f'expected one of {", ".join(options)}, found "{value}"' + (
            hint if "did you mean" in hint else ""
        )
    if code == "union_tag_not_found":
        return "is missing its kind"
    expected = {
        "int_type": "an integer",
        "float_type": "a number",
        "string_type": "a text",
        "bool_type": "true or false",
        "dict_type": "a table",
        "model_type": "a table",
        "tuple_type": "an array",
        "greater_than_equal": f"at least {context.get('ge')}",
        "greater_than": f"more than {context.get('gt')}",
        "less_than": f"less than {context.get('lt')}",
        "less_than_equal": f"at most {context.get('le')}",
        "string_too_short": "a text that is not empty",
        "too_short": f"at least {context.get('min_length')}",
    }.get(code)
    if expected is not None:
        return f"expected {expected}, found {shown(found)}"
    message = fault["msg"]
    return f"{message[:1].lower()}{message[1:]}, found {shown(found)}"


def _step(annotation: Any, part: Key) -> tuple[Any, bool]:
    """The annotation below *annotation* at *part*, and whether *part* is a key of the file."""
    annotation = _bare(annotation)
    origin, args = typing.get_origin(annotation), typing.get_args(annotation)
    if origin in (typing.Union, types.UnionType):
        for choice in map(_bare, args):
            if _tag(choice) == part:
                return choice, False
        tables = [choice for choice in map(_bare, args) if choice is not type(None)]
        return _step(tables[0], part) if len(tables) == 1 else (Any, isinstance(part, int))
    if origin is dict:
        return args[1], True
    if origin is tuple:
        return args[0], True
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        for name, field in annotation.model_fields.items():
            if part in (name, field.alias):
                return field.annotation, True
        if annotation.model_config.get("extra") == "allow":
            hints = typing.get_type_hints(annotation, include_extras=True)
            return _step(hints["__pydantic_extra__"], part)
    return Any, True


def _bare(annotation: Any) -> Any:
    while typing.get_origin(annotation) is typing.Annotated:
        annotation = typing.get_args(annotation)[0]
    return annotation


def _tag(choice: Any) -> Any:
    """The value of a source's ``kind``, by which pydantic names a member of the union."""
    if isinstance(choice, type) and issubclass(choice, BaseModel):
        kind = choice.model_fields.get("kind")
        if kind is not None and typing.get_args(kind.annotation):
            return typing.get_args(kind.annotation)[0]
    return None


def _known_keys(annotation: Any) -> list[str]:
    return [
        field.alias or name
        for table in _tables(annotation)
        for name, field in table.model_fields.items()
    ]


def _tables(annotation: Any) -> Iterator[type[BaseModel]]:
    """The tables that may stand where *annotation* does."""
    annotation = _bare(annotation)
    if typing.get_origin(annotation) in (typing.Union, types.UnionType):
        for choice in typing.get_args(annotation):
            yield from _tables(choice)
    elif isinstance(annotation, type) and issubclass(annotation, BaseModel):
        yield annotation
