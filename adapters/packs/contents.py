"""What stands in a pack's files: that they are what they are called, and lead nowhere else.

A bridge file may name files, and what it keeps attempts in, anywhere; the bridge file of a pack
names files of the pack alone, and says neither where memory comes from nor where values go.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

from adapters.packs.pictures import endings_of
from adapters.packs.reading import Pack
from adapters.recordings.topics import MAGIC
from schemas.errors import FileError, PackError
from schemas.pack_manifest import MemberTable
from schemas.toml_file import TomlText

__all__ = ["check_contents"]


def check_contents(pack: Pack) -> None:
    """Raises PackError for the first thing that is not as it should be."""
    for member, words in _faults(pack):
        raise PackError(words, pack=str(pack.path), member=member.path)


def _faults(pack: Pack) -> Iterator[tuple[MemberTable, str]]:
    manifest = pack.manifest
    for words in _in_bridge(pack, _table(pack, manifest.bridge)):
        yield manifest.bridge, words
    clips = {f"../{member.path}" for member in manifest.of_kind("clip")}
    for member in manifest.of_kind("expectations"):
        for words in _in_expectations(pack, _table(pack, member), clips):
            yield member, words
    for member in manifest.of_kind("picture"):
        head = next(pack.chunks(member), b"")
        if not member.path.lower().endswith(endings_of(head)):
            yield member, "is no such picture by its first bytes"
    for member in manifest.of_kind("clip"):
        if not next(pack.chunks(member), b"").startswith(MAGIC):
            yield member, "is no recording by its first bytes"
    for member in manifest.of_kind("notes"):
        if "\0" in pack.text(member):
            yield member, "is no text"


def _in_bridge(pack: Pack, table: dict[str, Any]) -> Iterator[str]:
    manifest = pack.manifest
    if table.get("source") != {"kind": "none"}:
        yield 'source: expected kind = "none" alone: whoever runs it names the source'
    if "outputs" in table:
        yield "outputs: expected none: whoever runs it names them"
    if table.get("schema") != manifest.schema_member.path:
        yield f'schema: expected "{manifest.schema_member.path}", which is in the pack'
    attempts = table.get("attempts", {})
    if not isinstance(attempts, dict) or attempts.get("file", ""):
        yield "attempts.file: expected none: they are kept beside the file that names the source"
    named = {"layout": _layouts(table.get("layouts", {})), "plan": _plans(table.get("plan"))}
    for kind, paths in named.items():
        there = {member.path for member in manifest.of_kind(kind)}
        for path in paths:
            if path not in there:
                yield f"expected every {kind} file to be in the pack, found {path!a}"


def _layouts(found: Any) -> list[Any]:
    tables = found.values() if isinstance(found, dict) else [found]
    return [each.get("path") if isinstance(each, dict) else each for each in tables]


def _plans(found: Any) -> list[Any]:
    return [] if found is None else [found.get("file") if isinstance(found, dict) else found]


def _in_expectations(pack: Pack, table: dict[str, Any], clips: set[str]) -> Iterator[str]:
    if table.get("bridge") != f"../{pack.manifest.bridge.path}":
        yield f'bridge: expected "../{pack.manifest.bridge.path}", which is in the pack'
    moments = table.get("moments", [])
    for moment in moments if isinstance(moments, list) else [moments]:
        recording = moment.get("recording") if isinstance(moment, dict) else None
        if recording not in clips or moment.get("dump"):
            yield f"moments: expected clips of the pack, found {recording!a}"


def _table(pack: Pack, member: MemberTable) -> dict[str, Any]:
    try:
        return TomlText(Path(member.path), pack.text(member), FileError).table()
    except FileError as fault:
        line = f"line {fault.line}: " if fault.line else ""
        raise PackError(f"{line}{fault.detail}", pack=str(pack.path), member=member.path) from fault
