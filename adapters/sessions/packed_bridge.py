"""The bridge that a pack holds, and a bridge whose source and outputs are those of another file."""

from __future__ import annotations

import tomllib
from collections.abc import Collection, Sequence
from dataclasses import replace
from pathlib import Path

from adapters.packs.contents import check_contents
from adapters.packs.reading import Pack
from adapters.recordings.header import About
from adapters.sessions.followed_plan import followable
from adapters.sessions.kinds import ADDED
from adapters.sessions.pasts.bridge_texts import BridgeTexts
from schemas.bridge_model import bridge_model
from schemas.errors import BridgeFileError, FileError, LayoutFileError, PlanFileError, SchemaError
from schemas.loader import Bridge, bridge_of_texts
from schemas.pack_manifest import MemberTable
from schemas.toml_cutting import CutToml, cut
from schemas.toml_file import TomlText
from schemas.toml_lines import Key

__all__ = ["packed_bridge", "with_own_source"]

_OWN = ("source", "outputs", "sampling", "build")
"""What is of whoever runs a set-up, and not of the set-up."""


def packed_bridge(pack: Pack) -> Bridge:
    """The bridge, which has no source; no file is written.

    What is wrong with a text is told with the pack's path.  Raises PackError, BridgeFileError,
    SchemaError, LayoutFileError and PlanFileError.
    """
    check_contents(pack)

    def read(member: MemberTable, error: type[FileError]) -> TomlText:
        return TomlText(pack.path / member.path, pack.text(member), error)

    text = read(pack.manifest.bridge, BridgeFileError)
    table = text.table()
    layouts = {member.path: member for member in pack.manifest.of_kind("layout")}
    named = {
        name: layouts[each["path"] if isinstance(each, dict) else each]
        for name, each in table.get("layouts", {}).items()
    }
    plans = {
        member.path.removeprefix("plans/").removesuffix(".plan.toml"): member
        for member in pack.manifest.of_kind("plan")
    }
    bridge = bridge_of_texts(
        text,
        read(pack.manifest.schema_member, SchemaError),
        {name: read(member, LayoutFileError) for name, member in named.items()},
        {name: read(member, PlanFileError) for name, member in plans.items()},
        added=ADDED,
    )
    return followable(bridge)


def with_own_source(bridge: Bridge, own: Path) -> Bridge:
    """The same set-up, as if it lay beside *own*, whose ``[source]`` it has.

    So paths in *own* are relative to it, and attempts and clips are kept beside it.  Its
    ``[outputs]``, ``[sampling]`` and ``build`` stand for the set-up's, where it has any; other
    tables, as of a whole bridge file, are left alone.  Where neither has outputs, it has the pages.
    Raises BridgeFileError, with the line in *own*, and ExtensionError.
    """
    text = TomlText.read(own, BridgeFileError)
    table = text.table()
    if "source" not in table:
        raise text.error(("source",), "is missing: expected a table that says where memory is")
    # checked by itself, so that what is wrong in it is told of there
    whole = {"schema": "of the set-up", **table}
    file = text.model(bridge_model(ADDED, whole), whole)
    if file.source.kind == "none":
        raise text.error(("source", "kind"), "none has no memory either; lowhalf attach finds some")
    taken = {key for key in _OWN if key in table}
    try:
        ours = cut(bridge.text.text, lambda key: key not in taken)
        joined = ours.with_further(cut(text.text, lambda key: key in taken))
    except ValueError as fault:
        raise BridgeFileError(str(fault), file=str(own)) from fault
    if "outputs" not in tomllib.loads(joined):
        joined = CutToml("", joined).with_further(CutToml("", "[outputs.overlay]\n"))
    about = replace(About.of(bridge, "", ""), bridge=joined)
    beside = own.parent / f"{bridge.name}.bridge.toml"
    try:
        made = BridgeTexts(beside, about.encode()).bridge()
    except BridgeFileError as fault:
        first, *rest = fault.key.split(".")
        if first not in taken:
            raise
        raise text.error((first, *rest), fault.detail) from fault
    return replace(made, text=_JoinedText(beside, joined, bridge.text, text, taken))


class _JoinedText(TomlText):
    """A text out of two files: what is wrong is told with the file, and its line, that has it."""

    def __init__(
        self, path: Path, text: str, setup: TomlText, own: TomlText, taken: Collection[str]
    ) -> None:
        super().__init__(path, text, BridgeFileError)
        self._setup, self._own, self._taken = setup, own, taken

    def error(self, path: Sequence[Key], message: str) -> FileError:
        of_own = bool(path) and path[0] in self._taken
        return (self._own if of_own else self._setup).error(path, message)
