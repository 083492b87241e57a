"""Paths on Windows: those that name something else there, and how a long one is opened.  No I/O.

Windows takes some names for devices whatever folder they stand in, so that reading one may wait for
ever; leaves out dots and spaces at a name's end, so that another file is opened; and refuses paths
of 260 characters or more unless they begin with ``\\\\?\\``, after which it takes them as they
stand.  As told in "Naming Files, Paths, and Namespaces" of the Win32 documentation.
"""

from __future__ import annotations

import ntpath
import sys
from pathlib import Path

__all__ = ["LONGEST_PLAIN", "openable", "path_fault", "unbounded"]

LONGEST_PLAIN = 247
"""Characters of a path that is opened as it stands: 260 less its end and a name in a folder."""
_AS_IT_STANDS = "\\\\?\\"
_DEVICES = "\\\\.\\"
_DIGITS = "123456789\u00b9\u00b2\u00b3"
_RESERVED = frozenset(
    ["CON", "PRN", "AUX", "NUL", "CONIN$", "CONOUT$"]
    + [f"{port}{digit}" for port in ("COM", "LPT") for digit in _DIGITS]
)
_REFUSED = frozenset('<>:"|?*') | {chr(code) for code in range(32)}


def path_fault(path: str, *, drive_relative: bool = False) -> str:
    """Why Windows would not open the file that a path seems to name; "" where it would.

    A path may lack its drive or be relative, but only with *drive_relative* be so to the folder
    that is open on a drive, as ``D:ram.bin`` is.
    """
    path = path.replace("/", "\\")
    if path.startswith(_AS_IT_STANDS):
        return ""
    if path.startswith(_DEVICES):
        return f"{path} names a device on Windows: name a file"
    drive, rest = ntpath.splitdrive(path)
    if drive.endswith(":") and not rest.startswith("\\") and not drive_relative:
        return (
            f"{path} is relative to whatever folder is open on drive {drive} and not to the bridge "
            f"file: write {drive}\\ and the folders, or leave the drive out"
        )
    return next((fault for name in rest.split("\\") if (fault := _name_fault(name))), "")


def _name_fault(name: str) -> str:
    if name in ("", ".", ".."):
        return ""
    if name.partition(".")[0].rstrip(" ").upper() in _RESERVED:
        return f"{name} names a device on Windows: call the file otherwise"
    if name[-1] in ". ":
        return f'"{name}" ends with a dot or a space, which Windows leaves out: rename it'
    refused = next((letter for letter in name if letter in _REFUSED), "")
    if refused:
        shown = refused if refused.isprintable() else f"character {ord(refused)}"
        return f"{name!a} holds {shown}, which no name on Windows can"
    return ""


def unbounded(path: str) -> str:
    """An absolute path in the form in which it may have up to 32,767 characters.

    A path that is short is left as it is, since the form is not for everybody's eyes.
    """
    if len(path) <= LONGEST_PLAIN or path.startswith((_AS_IT_STANDS, _DEVICES)):
        return path
    path = ntpath.normpath(path)
    if path.startswith("\\\\"):
        return f"{_AS_IT_STANDS}UNC\\{path[2:]}"
    return f"{_AS_IT_STANDS}{path}"


def openable(path: Path, *, drive_relative: bool = False, system: str = sys.platform) -> Path:
    """The path to open in place of *path*, which is the same but for a long one on Windows.

    Raises ValueError, with words for the user, where it names no file on Windows.
    """
    if system != "win32":
        return path
    if fault := path_fault(str(path), drive_relative=drive_relative):
        raise ValueError(fault)
    return Path(unbounded(ntpath.abspath(path)))
