"""A pack's file: the same bytes wherever and whenever it is made of the same files.

Everything is stored as it stands, with one time and one mode, in the manifest's order: what a
packer makes of the same bytes differs from one version of it to the next, recordings and pictures
are packed already, and so a pack can be searched by any program.
"""

from __future__ import annotations

import contextlib
import os
import shutil
import zipfile
from collections.abc import Mapping
from pathlib import Path

from adapters.packs.gathering import Gathered
from schemas.errors import PackError
from schemas.existing import exists
from schemas.pack_manifest import MANIFEST, manifest_text
from schemas.system_words import system_words
from schemas.windows_paths import openable

__all__ = ["write_pack"]

_TIME = (1980, 1, 1, 0, 0, 0)
"""The first that a zip archive can tell."""
_UNIX, _MODE = 3, 0o100644


def write_pack(path: Path, gathered: Gathered, *, replaces: bool = False) -> None:
    """Write a pack; a file that is there is refused, or, where it *replaces* one, written anew.

    Nothing half is left.  Raises PackError.
    """
    if exists(path) and not replaces:
        raise PackError("is there already; --force replaces it", pack=str(path))
    manifest = manifest_text(gathered.manifest).encode()
    data = {member.path: gathered.data[member.path] for member in gathered.manifest.members}
    try:
        target = openable(path.absolute())
        beside = target.with_name(f".{target.name}.{os.getpid()}.part")
        try:
            with zipfile.ZipFile(beside, "x") as archive:
                _write(archive, {MANIFEST: manifest, **data})
            beside.replace(target)
        finally:
            with contextlib.suppress(FileNotFoundError):
                beside.unlink()
    except OSError as fault:
        words = (system_words(fault) or str(fault)).lower()
        raise PackError(f"cannot be written: {words}", pack=str(path)) from fault
    except ValueError as fault:  # no name of a file
        raise PackError(f"cannot be written: {fault}", pack=str(path)) from fault


def _write(archive: zipfile.ZipFile, files: Mapping[str, bytes | Path]) -> None:
    for name, data in files.items():
        told = zipfile.ZipInfo(name, _TIME)
        told.create_system, told.external_attr = _UNIX, _MODE << 16
        if isinstance(data, bytes):
            archive.writestr(told, data)
            continue
        told.file_size = data.stat().st_size
        with archive.open(told, "w") as to, data.open("rb") as source:
            shutil.copyfileobj(source, to, 1 << 20)
