"""The manifest of a pack, ``manifest.toml``: what the set-up is, for which builds, and its files.

A pack is a zip archive that holds a set-up to share: the bridge file without its source and its
outputs, the schema and what belongs to them.  The manifest names every other file in it.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Annotated, Literal, get_args

from pydantic import AfterValidator, Field, model_validator

from schemas.errors import FileError, PackError
from schemas.portable_names import portable_fault, same_everywhere
from schemas.schema_file import Recognise
from schemas.seen_letters import toml_string
from schemas.table import Table, shown
from schemas.toml_file import TomlText

__all__ = [
    "FORMAT",
    "MANIFEST",
    "MAX_MEMBERS",
    "MAX_TOTAL",
    "MemberKind",
    "MemberTable",
    "PackManifest",
    "PackedBuildTable",
    "load_manifest",
    "manifest_text",
    "max_size",
    "place_of",
]

FORMAT: Literal[1] = 1
MANIFEST = "manifest.toml"
MAX_MEMBERS = 256
MAX_TOTAL = 1 << 30
"""Bytes of all files together, unpacked."""

MemberKind = Literal[
    "bridge", "schema", "layout", "plan", "moves", "expectations", "notes", "picture", "clip"
]
_PLACES: dict[MemberKind, tuple[str, tuple[str, ...], int]] = {
    "bridge": ("", (".bridge.toml",), 16 << 20),
    "schema": ("", (".schema.toml",), 16 << 20),
    "layout": ("layouts/", (".layout.toml",), 16 << 20),
    "plan": ("plans/", (".plan.toml",), 16 << 20),
    "moves": ("moves/", (".toml",), 16 << 20),
    "expectations": ("expectations/", (".expect.toml",), 16 << 20),
    "notes": ("notes/", (".md",), 1 << 20),
    "picture": ("pictures/", (".png", ".jpg", ".jpeg", ".webp", ".gif"), 32 << 20),
    "clip": ("recordings/", (".mcap",), 512 << 20),
}
"""Of each kind the folder, the endings and the most bytes: nothing else is ever written."""
_SHA_256 = re.compile("[0-9a-f]{64}")
_NO_MANIFEST = "is no manifest of a pack: it has no format"
_HEAD = """\
# A set-up for lowhalf: lowhalf run PACK.zip --source MINE.toml practises it, lowhalf unpack
# PACK.zip writes its files.  Everything in the archive is named here, with its SHA-256.
"""


def place_of(kind: MemberKind) -> tuple[str, tuple[str, ...]]:
    """The folder of files of a kind, with its ``/``, and what their names may end with."""
    folder, endings, _ = _PLACES[kind]
    return folder, endings


def max_size(kind: MemberKind) -> int:
    """The most bytes that a file of a kind may have."""
    return _PLACES[kind][2]


def _digest(value: str) -> str:
    if not _SHA_256.fullmatch(value):
        raise ValueError("expected 64 digits of hexadecimal, small letters")
    return value


class MemberTable(Table):
    """A file in the pack."""

    path: str = Field(description="where it is in the archive, with /")
    kind: MemberKind = Field(description=f"what it is: {', '.join(get_args(MemberKind))}")
    size: int = Field(ge=0, description="bytes")
    sha256: Annotated[str, AfterValidator(_digest)] = Field(
        description="the SHA-256 of its bytes, in hexadecimal"
    )

    @model_validator(mode="after")
    def _in_its_place(self) -> MemberTable:
        if fault := portable_fault(self.path):
            raise ValueError(f"{self.path}: {fault}")
        folder, endings, largest = _PLACES[self.kind]
        inside = self.path.removeprefix(folder)
        ending = next((each for each in endings if inside.lower().endswith(each)), "")
        if not self.path.startswith(folder) or "/" in inside or not inside[: -len(ending) or None]:
            raise ValueError(f"{self.path}: expected {folder}NAME{endings[0]} for a {self.kind}")
        if not ending:
            raise ValueError(f"{self.path}: expected {' or '.join(endings)} for a {self.kind}")
        if self.size > largest:
            raise ValueError(
                f"{self.path}: expected at most {largest} bytes for a {self.kind}, "
                f"found {self.size}"
            )
        return self


class PackedBuildTable(Table):
    """A build that the set-up is for, and what it is recognised by."""

    title: str = Field("", description="its name for people")
    recognise: tuple[Recognise, ...] = Field(
        (), strict=False, description="what its memory holds and no other build's does"
    )


class PackManifest(Table):
    """What the set-up is, and every file in the pack."""

    format: Literal[1] = Field(description="the version of the form of packs")
    made_by: str = Field(min_length=1, description="lowhalf and its version")
    title: str = Field(min_length=1, description="what the set-up is called")
    game: str = Field(min_length=1, description="the game's name, as in the schema")
    builds: dict[str, PackedBuildTable] = Field(
        min_length=1, description="build = its title and what it is recognised by"
    )
    members: tuple[MemberTable, ...] = Field(strict=False, description="every other file")

    @model_validator(mode="after")
    def _whole(self) -> PackManifest:
        for kind in ("bridge", "schema"):
            if (count := len(list(self.of_kind(kind)))) != 1:
                raise ValueError(f"members: expected one {kind}, found {count}")
        if len(self.members) > MAX_MEMBERS:
            raise ValueError(f"members: expected at most {MAX_MEMBERS}, found {len(self.members)}")
        total = sum(each.size for each in self.members)
        if total > MAX_TOTAL:
            raise ValueError(f"members: expected at most {MAX_TOTAL} bytes together, found {total}")
        seen: dict[str, str] = {same_everywhere(MANIFEST): MANIFEST}
        for each in self.members:
            folded = same_everywhere(each.path)
            if folded in seen:
                raise ValueError(
                    f"members: {seen[folded]} and {each.path} are one file on some systems"
                )
            seen[folded] = each.path
        return self

    def of_kind(self, kind: str) -> Iterator[MemberTable]:
        """The files of a kind, in the manifest's order."""
        return (each for each in self.members if each.kind == kind)

    @property
    def bridge(self) -> MemberTable:
        """The bridge file."""
        return next(self.of_kind("bridge"))

    @property
    def schema_member(self) -> MemberTable:
        """The schema."""
        return next(self.of_kind("schema"))


def manifest_text(manifest: PackManifest) -> str:
    """The file's text; reading it gives the same manifest again."""
    return _HEAD + "\n".join([*_lines(manifest), ""])


def _lines(manifest: PackManifest) -> Iterator[str]:
    yield f"format = {manifest.format}"
    for key in ("made_by", "title", "game"):
        yield f"{key} = {toml_string(getattr(manifest, key))}"
    for name, build in manifest.builds.items():
        yield from ("", f"[builds.{toml_string(name)}]", f"title = {toml_string(build.title)}")
        yield "recognise = ["
        for each in build.recognise:
            assert each.bytes_ is not None
            yield f'    {{ at = 0x{each.at:08X}, bytes = "{each.bytes_.hex(" ").upper()}" }},'
        yield "]"
    for member in manifest.members:
        yield from ("", "[[members]]", f"path = {toml_string(member.path)}")
        yield from (f"kind = {toml_string(member.kind)}", f"size = {member.size}")
        yield f"sha256 = {toml_string(member.sha256)}"


def load_manifest(pack: Path, text: str) -> PackManifest:
    """The manifest of a pack by its text.  Raises PackError."""
    written = TomlText(Path(MANIFEST), text, FileError)
    try:
        table = written.table()
        if "format" not in table:
            raise PackError(_NO_MANIFEST, pack=str(pack), member=MANIFEST)
        if (found := table["format"]) != FORMAT:
            raise PackError(
                f"is of format {shown(found)}, expected {FORMAT}: a later lowhalf may read it",
                pack=str(pack),
                member=MANIFEST,
            )
        return written.model(PackManifest, table)
    except FileError as fault:
        line = f"line {fault.line}: " if fault.line else ""
        key = f"{fault.key}: " if fault.key else ""
        words = f"{line}{key}{fault.detail}"
        raise PackError(words, pack=str(pack), member=MANIFEST) from fault
