"""The texts of a set-up as others get them: without source, outputs, comments and paths.

Comments are left out, since old addresses and paths stand in them as a rule; what others are to
read goes into notes.  The rest stays as it is written, addresses in hexadecimal too.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from adapters.recordings.header import About
from schemas.errors import LayoutFileError, PackError, PlanFileError
from schemas.expect_file import Expectations
from schemas.layout_file import LayoutFile, layout_text
from schemas.plan_file import PlanFile, plan_text
from schemas.toml_cutting import CutToml, cut
from schemas.toml_file import TomlText
from schemas.toml_lines import Key

__all__ = ["IN_A_CLIP", "Places", "shared_about", "shared_expectations"]

_PRIVATE = ("source", "outputs")
_NO_SOURCE = '[source]\nkind = "none"\n'
_READ_ELSEWHERE = "a heap read where the set-up was made"


@dataclass(frozen=True, slots=True)
class Places:
    """What a bridge file calls the files that belong to it; {} is a layout's or the plan's name."""

    schema: str
    layouts: str
    plans: str


IN_A_CLIP = Places("schema.toml", "{}.layout.toml", "{}.plan.toml")
"""As a recording's attachments are called."""


def shared_about(about: About, places: Places) -> About:
    """The same files of a set-up, with nothing private.  Raises ValueError where one is no TOML or
    cannot be cut, LayoutFileError and PlanFileError.
    """
    layouts = {
        name: _layout(TomlText(Path(places.layouts.format(name)), text, LayoutFileError))
        for name, text in about.layouts.items()
    }
    plans = {
        name: _plan(TomlText(Path(places.plans.format(name)), text, PlanFileError))
        for name, text in about.plans.items()
    }
    return replace(
        about,
        schema=cut(about.schema).text,
        bridge=_bridge(about.bridge, places),
        source="",
        layouts=layouts,
        plans=plans,
    )


def _bridge(text: str, places: Places) -> str:
    table = tomllib.loads(text)
    replaced: dict[tuple[Key, ...], str] = {("schema",): places.schema}
    for name, layout in _table(table.get("layouts")).items():
        path: tuple[Key, ...] = ("layouts", name)
        inner = isinstance(layout, dict)
        replaced[(*path, "path") if inner else path] = places.layouts.format(name)
    if file := _table(table.get("plan")).get("file"):
        stem = re.split(r"[/\\]", file)[-1].removesuffix(".toml").removesuffix(".plan")
        called = _table(table["plan"]).get("name", stem)
        # without a name of its own the plan is called as its file is
        replaced["plan", "file"] = places.plans.format(called)
    if "file" in _table(table.get("attempts")):
        replaced["attempts", "file"] = ""
    kept = cut(text, lambda key: key not in _PRIVATE, replaced)
    return CutToml(kept.keys, _NO_SOURCE).with_further(CutToml("", kept.tables))


def _layout(text: TomlText) -> str:
    return layout_text(text.model(LayoutFile).model_copy(update={"saved_from": ""}))


def _plan(text: TomlText) -> str:
    plan = text.model(PlanFile)
    builds = {
        name: build
        if build.taken_from.startswith("derived from ")
        else build.model_copy(update={"taken_from": _READ_ELSEWHERE})
        for name, build in plan.start.builds.items()
    }
    start = plan.start.model_copy(update={"builds": builds})
    return plan_text(plan.model_copy(update={"start": start}))


def shared_expectations(
    written: Expectations, bridge: str, clips: Mapping[Path, str]
) -> tuple[str, int]:
    """A file of expectations about *bridge*, and how many of its moments are left out.

    Those stay whose recording is one of *clips*, full path → path in the pack.  Raises PackError
    where none stays, or the text cannot be cut.
    """
    replaced: dict[tuple[Key, ...], str] = {("bridge",): f"../{bridge}"}
    dropped: set[tuple[str, int]] = set()
    for number, moment in enumerate(written.file.moments):
        path = (written.directory / moment.recording).resolve() if moment.recording else None
        if path is not None and path in clips:
            replaced["moments", number, "recording"] = f"../{clips[path]}"
        else:
            dropped.add(("moments", number))
    if len(dropped) == len(written.file.moments):
        raise PackError(
            f"{written.path}: none of its moments is of a recording that goes along: give those "
            "with --clip"
        )
    try:
        return cut(written.text.text, replaced=replaced, dropped=dropped).text, len(dropped)
    except ValueError as fault:
        raise PackError(
            f"{written.path}: {fault}: write each moment as a [[moments]] of its own"
        ) from fault


def _table(value: Any) -> dict[str, Any]:
    return value if isinstance(value, dict) else {}
