"""A pack's files in a folder: all of them, or nothing."""

from __future__ import annotations

import tempfile
from pathlib import Path

from adapters.packs.contents import check_contents
from adapters.packs.reading import Pack
from schemas.errors import PackError
from schemas.existing import exists, is_directory
from schemas.pack_manifest import MANIFEST, manifest_text
from schemas.system_words import system_words
from schemas.windows_paths import openable

__all__ = ["unpack"]


def unpack(pack: Pack, directory: Path) -> None:
    """Write the files into *directory*, which is made, or empty.

    They are written beside it and brought there in one step once all are as the manifest says, so
    that nothing half is left.  Raises PackError.
    """
    check_contents(pack)
    target = directory.absolute()
    _refuse(pack, target)
    try:
        with tempfile.TemporaryDirectory(
            prefix=f".{target.name[:40]}-", dir=openable(target.parent), ignore_cleanup_errors=True
        ) as place:
            # with the rights that the user's folders have; that of tempfile is for its maker alone
            made = Path(place) / "unpacked"
            made.mkdir()
            _write(pack, made)
            if exists(target):
                openable(target).rmdir()
            made.rename(openable(target))
    except OSError as fault:
        words = (system_words(fault) or str(fault)).lower()
        raise PackError(
            f"cannot be unpacked into {target}: {words}", pack=str(pack.path)
        ) from fault
    except ValueError as fault:  # no name of a folder
        raise PackError(f"cannot be unpacked: {fault}", pack=str(pack.path)) from fault


def _refuse(pack: Pack, target: Path) -> None:
    if not is_directory(target.parent):
        raise PackError(f"there is no folder {target.parent}", pack=str(pack.path))
    if not exists(target):
        return
    if not is_directory(target):
        raise PackError(f"{target} is a file: name a folder", pack=str(pack.path))
    if any(openable(target).iterdir()):
        raise PackError(
            f"{target} is not empty, and nothing is overwritten: name another folder",
            pack=str(pack.path),
        )
    if target.resolve() == Path.cwd():
        raise PackError(f"{target} is the folder you are in: name one in it", pack=str(pack.path))


def _write(pack: Pack, folder: Path) -> None:
    (folder / MANIFEST).write_text(manifest_text(pack.manifest), "utf-8", newline="\n")
    for member in pack.manifest.members:
        path = folder / member.path
        path.parent.mkdir(exist_ok=True)
        with path.open("xb") as file:
            for chunk in pack.chunks(member):
                file.write(chunk)
