"""A sheet written to a file: all of it or none, and in place of none unless that is wanted."""

from __future__ import annotations

import contextlib
import os
from pathlib import Path

from schemas.errors import LowhalfError
from schemas.existing import exists
from schemas.system_words import system_words

__all__ = ["write_sheet"]


def write_sheet(path: Path, text: str, *, force: bool) -> None:
    """Write *text* beside *path* first, and then in its place.

    Raises LowhalfError where a file is there and *force* is not, and where it cannot be written.
    """
    if exists(path) and not force:
        raise LowhalfError(f"{path}: is there already; --force replaces it")
    new = path.with_name(f"{path.name}.{os.getpid()}.new")
    try:
        try:
            with new.open("x", encoding="utf-8", newline="\n") as file:
                file.write(text)
            new.replace(path)
        except BaseException:
            with contextlib.suppress(OSError):
                new.unlink(missing_ok=True)
            raise
    except (OSError, ValueError) as fault:
        system = system_words(fault) if isinstance(fault, OSError) else ""
        reason = (system or str(fault)).lower()
        raise LowhalfError(f"{path}: cannot be written: {reason}") from fault
