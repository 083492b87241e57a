"""A pack, opened: its manifest, and its files, each held against its digest while it is read."""

from __future__ import annotations

import contextlib
import hashlib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from adapters.file_opening import may_wait, open_stream
from adapters.packs.directory import Entry, UnsafeArchive, read_directory, unpacked_chunks
from schemas.errors import PackError
from schemas.pack_manifest import MANIFEST, MemberTable, PackManifest, load_manifest
from schemas.system_words import system_words

__all__ = ["Pack", "is_pack", "open_pack"]

_MAX_MANIFEST = 1 << 20
_TAIL = 1 << 16


@dataclass(frozen=True, slots=True)
class Pack:
    """A pack's file, its manifest and where its files are; it is open only while one is read."""

    path: Path
    manifest: PackManifest
    entries: Mapping[str, Entry]

    @property
    def name(self) -> str:
        """What the set-up is called: its bridge file's name without endings."""
        return self.manifest.bridge.path.removesuffix(".bridge.toml")

    def chunks(self, member: MemberTable) -> Iterator[bytes]:
        """A file's bytes.  Raises PackError, also at the end, where they are not as promised."""
        digest = hashlib.sha256()
        with _opened(self.path) as stream:
            for chunk in unpacked_chunks(stream, self.entries[member.path]):
                digest.update(chunk)
                yield chunk
        if digest.hexdigest() != member.sha256:
            raise PackError(
                f"is not what was packed: expected SHA-256 {member.sha256}, found "
                f"{digest.hexdigest()}; it was changed since, ask for the pack again",
                pack=str(self.path),
                member=member.path,
            )

    def text(self, member: MemberTable) -> str:
        """A file's text.  Raises PackError."""
        try:
            return b"".join(self.chunks(member)).decode()
        except UnicodeDecodeError as fault:
            words = f"is not UTF-8 text: byte {fault.start}"
            raise PackError(words, pack=str(self.path), member=member.path) from fault

    def verify(self) -> None:
        """Read everything once.  Raises PackError for the first file that is not as promised."""
        for member in self.manifest.members:
            for _ in self.chunks(member):
                pass


def open_pack(path: Path) -> Pack:
    """Read a pack's directory and manifest.

    Raises PackError where it is damaged, unsafe, no pack, or cannot be read.
    """
    with _opened(path) as stream:
        entries = {entry.path: entry for entry in read_directory(stream)}
        if MANIFEST not in entries:
            raise UnsafeArchive(_without_manifest(entries))
        if entries[MANIFEST].size > _MAX_MANIFEST:
            raise UnsafeArchive(f"has more than {_MAX_MANIFEST} bytes", MANIFEST)
        data = b"".join(unpacked_chunks(stream, entries[MANIFEST]))
    try:
        manifest = load_manifest(path, data.decode())
    except UnicodeDecodeError as fault:
        words = f"is not UTF-8 text: byte {fault.start}"
        raise PackError(words, pack=str(path), member=MANIFEST) from fault
    _check(path, manifest, entries)
    return Pack(path, manifest, entries)


def is_pack(path: Path) -> bool:
    """Whether a file is a pack, also a damaged one, rather than a dump in a zip archive.

    False where it cannot be read.
    """
    try:
        if may_wait(path):
            return False
        with open_stream(path) as stream:
            head = stream.read(30 + len(MANIFEST))
            if not head.startswith(b"PK\3\4"):
                return False
            stream.seek(max(0, stream.seek(0, 2) - _TAIL))
            return head.endswith(MANIFEST.encode()) or MANIFEST.encode() in stream.read()
    except (OSError, ValueError):
        return False


def _check(path: Path, manifest: PackManifest, entries: Mapping[str, Entry]) -> None:
    told = {member.path: member for member in manifest.members}
    for member in manifest.members:
        if member.path not in entries:
            raise PackError(
                "is named in the manifest and not in the archive", pack=str(path),
                member=member.path,
            )  # fmt: skip
        if entries[member.path].size != member.size:
            raise PackError(
                f"has {entries[member.path].size} bytes, expected {member.size} by the manifest",
                pack=str(path),
                member=member.path,
            )
    for name in entries:
        if name != MANIFEST and name not in told:
            raise PackError(
                "is in the archive and not in its manifest: pack the set-up anew with lowhalf pack",
                pack=str(path),
                member=name,
            )


def _without_manifest(entries: Mapping[str, Entry]) -> str:
    inside = next((name for name in entries if name.endswith(f"/{MANIFEST}")), "")
    if inside:
        folder = inside.removesuffix(f"/{MANIFEST}")
        return f"has its {MANIFEST} in the folder {folder}: unpack it, and zip what is in there"
    return f"is a zip archive without {MANIFEST}: no pack; lowhalf pack makes one of a bridge file"


@contextlib.contextmanager
def _opened(path: Path) -> Iterator[BinaryIO]:
    """The file; what goes wrong while it is read is told with its name."""
    try:
        if may_wait(path):
            raise PackError("is not a regular file", pack=str(path))
        with open_stream(path) as stream:
            yield stream
    except UnsafeArchive as fault:
        raise PackError(str(fault), pack=str(path), member=fault.member) from fault
    except FileNotFoundError as fault:
        raise PackError("is not there", pack=str(path)) from fault
    except OSError as fault:
        words = (system_words(fault) or str(fault)).lower()
        raise PackError(f"cannot be read: {words}", pack=str(path)) from fault
    except ValueError as fault:  # no name of a file
        raise PackError(f"cannot be read: {fault}", pack=str(path)) from fault
