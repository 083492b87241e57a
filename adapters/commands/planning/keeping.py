"""A text written to a file, in place of none unless that is wanted."""

from __future__ import annotations

from pathlib import Path

from schemas.errors import PlanFileError
from schemas.system_words import system_words

__all__ = ["keep"]


def keep(path: Path, text: str, *, force: bool) -> None:
    """Write *text*.  Raises PlanFileError where the file is there or cannot be written."""
    try:
        with path.open("w" if force else "x", encoding="utf-8", newline="\n") as file:
            file.write(text)
    except FileExistsError:
        raise PlanFileError("is there already; --force replaces it", file=str(path)) from None
    except OSError as fault:
        reason = (system_words(fault) or str(fault)).lower()
        raise PlanFileError(f"cannot be written: {reason}", file=str(path)) from fault
