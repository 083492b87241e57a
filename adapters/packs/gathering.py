"""What goes into a pack: a bridge's files as others get them, and what is given beside it."""

from __future__ import annotations

import hashlib
import re
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from importlib.metadata import version
from pathlib import Path
from typing import get_args

from pydantic import ValidationError

from adapters.file_opening import may_wait, open_stream
from adapters.packs.clips import copy_clip
from adapters.packs.pictures import endings_of, without_metadata
from adapters.packs.private_words import PrivateWords, of_tables, of_this_machine
from adapters.packs.shared_texts import Places, shared_about, shared_expectations
from adapters.recordings import chunk
from adapters.recordings.chunk_index import everything
from adapters.recordings.clip_path import CLIPS
from adapters.recordings.header import About
from adapters.recordings.reader import open_recording
from schemas.errors import PackError, SchemaError
from schemas.expect_file import load_expectations
from schemas.loader import Bridge
from schemas.pack_manifest import (
    FORMAT,
    MemberKind,
    MemberTable,
    PackedBuildTable,
    PackManifest,
    max_size,
    place_of,
)
from schemas.portable_names import portable_fault
from schemas.schema_file import MovesFile, Recognise, SchemaFile
from schemas.system_words import system_words
from schemas.toml_cutting import cut
from schemas.toml_file import TomlText

__all__ = ["Beside", "Gathered", "gather"]


@dataclass(frozen=True, slots=True)
class Beside:
    """What is given beside the bridge file; clips are attempts' numbers or files."""

    moves: Sequence[Path] = ()
    expectations: Sequence[Path] = ()
    notes: Sequence[Path] = ()
    pictures: Sequence[Path] = ()
    clips: Sequence[str] = ()


@dataclass(slots=True)
class Gathered:
    """The pack's files, by path: bytes, or a file that holds them; ``left_out`` says what is not
    in it that was given."""

    manifest: PackManifest
    data: Mapping[str, bytes | Path]
    left_out: list[str] = field(default_factory=list)


def gather(bridge: Bridge, title: str, beside: Beside, workplace: Path) -> Gathered:
    """The manifest and the files of a pack; clips are copied into *workplace*, a folder.

    Raises PackError, the errors of the files that are given, SourceError and its leaves.
    """
    made = _Gathering(bridge, workplace)
    try:
        made.take_bridge()
    except ValueError as fault:
        raise PackError(f"{bridge.path} and its schema cannot be shared: {fault}") from fault
    for path in beside.moves:
        made.take_moves(path)
    for path in beside.notes:
        made.take_notes(path)
    for path in beside.pictures:
        made.take_picture(path)
    clips = {path.resolve(): made.take_clip(path) for path in map(made.clip_of, beside.clips)}
    for path in beside.expectations:
        made.take_expectations(path, clips)
    made.refuse_private([bridge.path, *beside.moves, *beside.notes, *beside.pictures, *clips])
    try:
        manifest = PackManifest(
            format=FORMAT,
            made_by=f"lowhalf {version('lowhalf')}",
            title=title or bridge.name,
            game=bridge.schema.file.game.name,
            builds=_builds(bridge.schema.file),
            members=tuple(made.members()),
        )
    except ValidationError as fault:  # too many files, too much of them, or two names that are one
        words = fault.errors()[0]["msg"].removeprefix("Value error, ")
        raise PackError(f"{bridge.path}: does not fit into a pack: {words}") from fault
    return Gathered(manifest, made.data, made.left_out)


class _Gathering:
    """Files on their way into a pack, and the tables that say what of them is private."""

    def __init__(self, bridge: Bridge, workplace: Path) -> None:
        self._bridge = bridge
        self._workplace = workplace
        self._kinds: dict[str, MemberKind] = {}
        self._tables = [bridge.text.table()]
        self.data: dict[str, bytes | Path] = {}
        self.left_out: list[str] = []

    def take_bridge(self) -> None:
        """The bridge file, the schema, layouts and the plan.  Raises ValueError, too."""
        stem = self._bridge.schema.path.name.removesuffix(".toml").removesuffix(".schema")
        places = Places(f"{stem}.schema.toml", "layouts/{}.layout.toml", "plans/{}.plan.toml")
        shared = shared_about(About.of(self._bridge, "", ""), places)
        self._add("bridge", self._bridge_name, shared.bridge.encode(), self._bridge.path)
        self._add("schema", places.schema, shared.schema.encode(), self._bridge.schema.path)
        for name, text in shared.layouts.items():
            path = places.layouts.format(name)
            self._add("layout", path, text.encode(), self._bridge.path)
        for name, text in shared.plans.items():
            self._add("plan", places.plans.format(name), text.encode(), self._bridge.path)

    @property
    def _bridge_name(self) -> str:
        return f"{self._bridge.name}.bridge.toml"

    def take_moves(self, path: Path) -> None:
        text = TomlText.read(path, SchemaError)
        text.model(MovesFile)
        try:
            shared = cut(text.text).text
        except ValueError as fault:
            raise PackError(f"{path}: cannot be shared: {fault}") from fault
        self._add_named("moves", path, shared.encode())

    def take_notes(self, path: Path) -> None:
        data = self._read("notes", path)
        try:
            text = data.decode("utf-8-sig")
        except UnicodeDecodeError as fault:
            raise PackError(f"{path}: is not UTF-8 text: byte {fault.start}") from fault
        if "\0" in text:
            raise PackError(f"{path}: is no text: it holds a zero")
        self._add_named("notes", path, text.replace("\r\n", "\n").encode())

    def take_picture(self, path: Path) -> None:
        data = self._read("picture", path)
        try:
            shared = without_metadata(data)
        except ValueError as fault:
            raise PackError(f"{path}: {fault}") from fault
        if not path.name.lower().endswith(endings := endings_of(data)):
            raise PackError(
                f"{path}: is another kind by its first bytes: call it {' or '.join(endings)}"
            )
        self._add_named("picture", path, shared)

    def clip_of(self, given: str) -> Path:
        """The recording that a number of an attempt, or a path, names."""
        if not given.isdecimal():
            return Path(given)
        folder = self._bridge.path.parent / CLIPS
        named = re.compile(rf"{re.escape(self._bridge.name)}-0*{int(given)}-[a-z-]+\.mcap")
        found = sorted(p for p in folder.glob("*.mcap") if named.fullmatch(p.name))
        if not found:
            raise PackError(f"{folder}: there is no clip of attempt {given}")
        return found[0]

    def take_clip(self, path: Path) -> str:
        """Copy a recording; gives its place in the pack."""
        recording = open_recording(path)
        if not recording.complete:
            raise PackError(f"{path}: is cut off, or still being recorded: give a whole one")
        target = self._workplace / f"{len(self.data)}.mcap"
        copy_clip(recording, target)
        self._tables.append(tomllib.loads(recording.about.bridge))
        return self._add_named("clip", path, target)

    def take_expectations(self, path: Path, clips: Mapping[Path, str]) -> None:
        written = load_expectations(path)
        if (path.parent / written.file.bridge).resolve() != self._bridge.path.resolve():
            raise PackError(f"{path}: is about {written.file.bridge}, not {self._bridge.path.name}")
        text, left_out = shared_expectations(written, self._bridge_name, clips)
        if left_out:
            of = len(written.file.moments)
            self.left_out.append(
                f"{path.name}: {left_out} of {of} moments, which are of no recording in the pack"
            )
        self._add_named("expectations", path, text.encode())

    def refuse_private(self, files: Sequence[Path]) -> None:
        """Raises PackError where something private stands in any file."""
        words = PrivateWords(
            [*of_this_machine(files), *(w for t in self._tables for w in of_tables(t))]
        )
        for path, data in self.data.items():
            pieces = [data] if isinstance(data, bytes) else _pieces(data)
            for found in filter(None, map(words.found_in, pieces)):
                raise PackError(
                    f'{path}: holds "{found}", which is of this machine or its network: take it '
                    "out of the file that it comes from"
                )

    def members(self) -> Iterator[MemberTable]:
        """What the manifest says of each file, by kind and path."""
        kinds = get_args(MemberKind)
        for path in sorted(self.data, key=lambda path: (kinds.index(self._kinds[path]), path)):
            size, digest = _measured(self.data[path])
            yield MemberTable(path=path, kind=self._kinds[path], size=size, sha256=digest)

    def _add_named(self, kind: MemberKind, file: Path, data: bytes | Path) -> str:
        path = place_of(kind)[0] + file.name
        self._add(kind, path, data, file)
        return path

    def _add(self, kind: MemberKind, path: str, data: bytes | Path, file: Path) -> None:
        if fault := portable_fault(path):
            raise PackError(f"{file}: {path}: {fault}: rename it")
        if path in self.data:
            raise PackError(f"{file}: two of the files are called {path}: rename one")
        endings = place_of(kind)[1]
        if not path.lower().endswith(endings):
            raise PackError(f"{file}: expected a name that ends with {' or '.join(endings)}")
        size = len(data) if isinstance(data, bytes) else data.stat().st_size
        if size > max_size(kind):
            raise PackError(
                f"{file}: expected at most {max_size(kind)} bytes for a {kind}, found {size}"
            )
        self._kinds[path], self.data[path] = kind, data

    def _read(self, kind: MemberKind, path: Path) -> bytes:
        try:
            if may_wait(path):
                raise PackError(f"{path}: is not a regular file")
            with open_stream(path) as stream:
                return stream.read(max_size(kind) + 1)
        except OSError as fault:
            words = (system_words(fault) or str(fault)).lower()
            raise PackError(f"{path}: cannot be read: {words}") from fault
        except ValueError as fault:  # no name of a file
            raise PackError(f"{path}: cannot be read: {fault}") from fault


def _pieces(recording: Path) -> Iterator[bytes]:
    """All bytes of a recording, as they are and unpacked."""
    yield recording.read_bytes()
    with recording.open("rb") as stream:
        for place in everything(stream, recording.stat().st_size).places:
            yield bytes(chunk.unpacked(stream, place))


def _measured(data: bytes | Path) -> tuple[int, str]:
    if isinstance(data, bytes):
        return len(data), hashlib.sha256(data).hexdigest()
    with data.open("rb") as stream:
        return data.stat().st_size, hashlib.file_digest(stream, "sha256").hexdigest()


def _builds(schema: SchemaFile) -> dict[str, PackedBuildTable]:
    order = schema.memory.endian

    def data(known: Recognise) -> bytes:
        if known.u32 is not None:
            return known.u32.to_bytes(4, order)
        return known.text.encode() if known.text is not None else known.bytes_ or b""

    def row(known: Recognise) -> Recognise:
        return Recognise.model_validate({"at": known.at, "bytes": data(known).hex(" ")})

    return {
        name: PackedBuildTable(title=build.title, recognise=tuple(map(row, build.recognise)))
        for name, build in schema.builds.items()
    }
