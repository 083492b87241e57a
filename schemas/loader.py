"""A bridge file loaded together with the schema that it names."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from schemas.bridge_file import BridgeFile
from schemas.bridge_model import AddedKinds, bridge_model
from schemas.compiler import Schema, compile_schema, load_schema
from schemas.errors import BridgeFileError
from schemas.existing import is_file
from schemas.layout_file import LayoutFile, SavedLayout, load_layout
from schemas.schema_file import SchemaFile
from schemas.toml_file import TomlText, nearest

if TYPE_CHECKING:  # few bridges follow a plan
    from schemas.plan_file import PlanFile

__all__ = ["Bridge", "bridge_of_texts", "load_bridge"]


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

    @property
    def attempts_path(self) -> Path:
        """Where attempts and tallies are kept."""
        named = self.file.attempts.file if self.file.attempts is not None else ""
        return self.path.parent / (named or f"{self.name}.attempts.sqlite")


def load_bridge(
    path: Path,
    *,
    layouts: bool = True,
    added: AddedKinds | None = None,
) -> Bridge:
    """Read and check a bridge file, its schema, and the layouts and the plan that it names.

    Without *layouts* their files may be missing, as before the first is saved.  *added* is where
    kinds are looked up that are not lowhalf's own; without it there are no others.  Raises
    BridgeFileError, SchemaError, LayoutFileError and PlanFileError, and ExtensionError for an added
    kind.
    """
    text = TomlText.read(path, BridgeFileError)
    table = text.table()
    file = text.model(BridgeFile if added is None else bridge_model(added, table), table)
    schema_path = path.parent / file.schema_path
    if not is_file(schema_path):
        raise text.error(("schema",), f"there is no file {schema_path}")
    schema = load_schema(schema_path)
    plan = _read_plan(file, text) if layouts else None
    return _checked(file, text, schema, _read_layouts(file, text) if layouts else {}, plan)


def bridge_of_texts(
    text: TomlText,
    schema: TomlText,
    layouts: Mapping[str, TomlText],
    plans: Mapping[str, TomlText],
    *,
    added: AddedKinds | None = None,
    replaced: Mapping[str, Any] | None = None,
) -> Bridge:
    """A bridge from the texts of its files, as a recording holds them.

    *layouts* and *plans* are by the names that the bridge file gives them; *replaced* holds tables
    that stand for the file's own.  Raises BridgeFileError, SchemaError, LayoutFileError and
    PlanFileError.
    """
    table = {**text.table(), **(replaced or {})}
    file = text.model(BridgeFile if added is None else bridge_model(added, table), table)
    compiled = compile_schema(schema.model(SchemaFile), schema)
    read = {name: each.model(LayoutFile) for name, each in layouts.items()}
    plan: PlanFile | None = None
    if file.plan is not None and file.plan.called in plans:
        from schemas.plan_file import PlanFile

        plan = plans[file.plan.called].model(PlanFile)
    return _checked(file, text, compiled, read, plan)


def _checked(
    file: BridgeFile,
    text: TomlText,
    schema: Schema,
    layouts: Mapping[str, LayoutFile],
    plan: PlanFile | None,
) -> Bridge:
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
    _check_practice(file, text, named)
    saved = _saved_layouts(file, text, schema, layouts)
    if plan is not None and plan.game != schema.file.game.name:
        raise text.error(
            ("plan", "file"), f"is a plan of {plan.game}, expected one of {schema.file.game.name}"
        )
    for layout in schema.builds.values():
        layout.saved_layouts = saved
        layout.saved_plans = {} if file.plan is None else {file.plan.called: plan}
    return Bridge(file, text, schema)


def _read_layouts(file: BridgeFile, text: TomlText) -> dict[str, LayoutFile]:
    """The files of ``[layouts]``.  Raises BridgeFileError, LayoutFileError."""
    found: dict[str, LayoutFile] = {}
    for name, table in file.layouts.items():
        path = text.path.parent / table.path
        if not is_file(path):
            raise text.error(
                ("layouts", name), f"there is no file {path}; lowhalf layout save makes one"
            )
        found[name] = load_layout(path)
    return found


def _read_plan(file: BridgeFile, text: TomlText) -> PlanFile | None:
    """The file of ``[plan]``.  Raises BridgeFileError, PlanFileError."""
    if file.plan is None:
        return None
    from schemas.plan_file import load_plan

    path = text.path.parent / file.plan.file
    if not is_file(path):
        raise text.error(("plan", "file"), f"there is no file {path}; lowhalf plan makes one")
    return load_plan(path)


def _saved_layouts(
    file: BridgeFile, text: TomlText, schema: Schema, layouts: Mapping[str, LayoutFile]
) -> dict[str, SavedLayout]:
    """The layouts that are there.  Raises BridgeFileError."""
    saved: dict[str, SavedLayout] = {}
    for name, found in layouts.items():
        if name not in file.layouts:
            continue
        if found.game != schema.file.game.name:
            raise text.error(
                ("layouts", name),
                f"is a layout of {found.game}, expected one of {schema.file.game.name}",
            )
        saved[name] = SavedLayout(found, file.layouts[name].ignore_sizes)
    return saved


def _check_practice(file: BridgeFile, text: TomlText, watches: set[str]) -> None:
    named: set[str] = set()
    for index, step in enumerate(file.steps):
        if step.name in named:
            raise text.error(("steps", index, "name"), f'two steps are named "{step.name}"')
        named.add(step.name)
        if step.show and step.show not in watches:
            raise text.error(
                ("steps", index, "show"),
                f"there is no watch {step.show}{nearest(step.show, watches)}",
            )
    if file.attempts is None:
        return
    if not file.attempts.begins and not file.attempts.by_hand:
        raise text.error(
            ("attempts", "begins"),
            "is missing: it says when an attempt begins; by_hand = true leaves that to the runner",
        )
    if not (file.attempts.succeeds or file.steps or file.attempts.by_hand):
        raise text.error(
            ("attempts",), "expected succeeds, or [[steps]] whose last one done is the success"
        )
    for index, name in enumerate(file.attempts.keep):
        if name not in watches:
            raise text.error(
                ("attempts", "keep", index), f"there is no watch {name}{nearest(name, watches)}"
            )
        if name in file.attempts.keep[:index]:
            raise text.error(("attempts", "keep", index), f"{name} is kept twice")
