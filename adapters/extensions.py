"""What installed packages of somebody else's add to lowhalf: the entry points of a group.

A package names what it adds in its metadata, as packaging's entry points do (the "Entry points
specification" of the Python Packaging User Guide):

    [project.entry-points."lowhalf.functions"]
    mirrored = "tide_functions:MIRRORED"

An entry is looked up by its name; nothing of a package is imported before :func:`loaded`.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from importlib.metadata import EntryPoint, entry_points
from typing import Any

from schemas.errors import ExtensionError

__all__ = ["entries", "loaded", "wrong"]


def entries(group: str, taken: Collection[str]) -> Mapping[str, EntryPoint]:
    """What installed packages add to a group, by name.

    Raises ExtensionError where a name is one of *taken*, which are lowhalf's own, or is two
    packages'.
    """
    found: dict[str, EntryPoint] = {}
    for entry in sorted(entry_points(group=group), key=lambda entry: (entry.name, _package(entry))):
        if entry.name in taken:
            raise ExtensionError(
                f"{entry.name} of {group} is lowhalf's own; the package needs another name",
                package=_package(entry),
                entry=entry.name,
            )
        if entry.name in found:
            other = _package(found[entry.name])
            raise ExtensionError(
                f"{entry.name} of {group} is also in package {other}; uninstall one of the two",
                package=_package(entry),
                entry=entry.name,
            )
        found[entry.name] = entry
    return found


def loaded(entry: EntryPoint) -> Any:
    """The object that an entry names.  Raises ExtensionError where it cannot be had."""
    try:
        return entry.load()
    except Exception as fault:  # a package may fail in any way when it is imported
        why = f"{type(fault).__name__}: {fault}"
        raise wrong(entry, f"{entry.value} cannot be loaded ({why}); update or uninstall it") from (
            fault
        )


def wrong(entry: EntryPoint, message: str) -> ExtensionError:
    """The error that an entry is not what it has to be."""
    words = f"{entry.name} of {entry.group}: {message}"
    return ExtensionError(words, package=_package(entry), entry=entry.name)


def _package(entry: EntryPoint) -> str:
    return f"{entry.dist.name} {entry.dist.version}" if entry.dist else "of unknown name"
