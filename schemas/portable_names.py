"""Names of files that are the same file on every system, as those in an archive must be.  No I/O.

Windows and macOS take two names for one that differ in capitals alone, macOS also two that spell a
letter in two ways (Unicode's UAX #15); Windows has names that stand for devices, and leaves out
dots and spaces at the end.
"""

from __future__ import annotations

import unicodedata

from schemas.seen_letters import all_seen
from schemas.windows_paths import path_fault

__all__ = ["MAX_PATH", "portable_fault", "same_everywhere"]

MAX_PATH = 160
"""Characters of a path with its folders: room for the folder that it is put into."""
_MAX_NAME = 120
_MAX_DEPTH = 4


def portable_fault(path: str) -> str:
    """Why a relative path with ``/`` names no file on one of the systems; "" where it does."""
    if not path or len(path) > MAX_PATH:
        return f"its name has {len(path)} characters, expected 1 to {MAX_PATH}"
    if "\0" in path:
        return "its name holds a NUL, at which some programs end it"
    if "\\" in path:
        return "its name holds \\, which leads into a folder on Windows alone"
    if ":" in path:
        return "its name holds :, which names a drive or a stream on Windows"
    if path.startswith("/"):
        return "its name is an absolute path"
    parts = path.split("/")
    if len(parts) > _MAX_DEPTH:
        return f"it lies {len(parts)} folders deep, expected at most {_MAX_DEPTH}"
    for part in parts:
        if part in ("", ".", ".."):
            return f'its name has "{part}" for a folder, which may lead out of where it belongs'
        if len(part.encode("utf-8", "replace")) > _MAX_NAME:
            return f"its name is too long: expected at most {_MAX_NAME} bytes between two /"
        if part.startswith((" ", "~", "-")):
            return f'its name begins with "{part[0]}", which programs take for something else'
    if not all_seen(path):
        return "its name holds letters that are not seen"
    if unicodedata.normalize("NFC", path) != path:
        return "its name spells a letter with a mark apart from it, which some systems put together"
    return path_fault(path)


def same_everywhere(path: str) -> str:
    """What two names have in common that are one file on some system."""
    folded = unicodedata.normalize("NFKC", path).casefold()
    return unicodedata.normalize("NFKC", folded)
