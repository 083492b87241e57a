"""Kinds and the classes that serve them, each imported when a bridge file names it."""

from __future__ import annotations

import re
import typing
from collections.abc import Collection, Mapping
from importlib import import_module
from typing import TYPE_CHECKING, Any

from schemas.source_settings import SourceSettings
from schemas.table import Table

if TYPE_CHECKING:
    from importlib.metadata import EntryPoint

__all__ = ["Catalogue"]

_NAME = re.compile(r"[a-z][a-z0-9_-]*")


class Catalogue:
    """A row a kind, ``kind → "module:Class"``; other packages add rows by entry points.

    *group* is the group of those, which is looked at only for a kind that has no row.  *port* is
    what every class is a subclass of, as ``module:Class`` too, and *base* what the settings of an
    added kind are a subclass of: the class names them as ``Settings``.
    """

    def __init__(
        self, rows: Mapping[str, str], *, group: str, port: str, base: type[Table]
    ) -> None:
        self.rows = rows
        self._group = group
        self._port = port
        self._base = base

    def make(self, kind: str, settings: Table, surroundings: object) -> Any:
        """What the class of *kind* makes of its settings.

        That is ``Class.from_bridge(settings, surroundings)`` where the class needs more than its
        settings, and else ``Class(settings)``.  Raises ExtensionError where an added kind cannot be
        used, and what the class raises.
        """
        found = _object(self.rows[kind]) if kind in self.rows else self._added(kind)
        return getattr(found, "from_bridge", lambda settings, _: found(settings))(
            settings, surroundings
        )

    def added(self) -> Collection[str]:
        """The kinds that other packages add, sorted; nothing is imported.

        Raises ExtensionError where one of them is taken.
        """
        return self._entries()

    def settings(self, kind: str) -> type[Table]:
        """The settings of an added kind.  Raises ExtensionError where it cannot be used."""
        from adapters.extensions import wrong

        entry = self._entries()[kind]
        model, base = getattr(self._added(kind), "Settings", None), self._base
        if not (isinstance(model, type) and issubclass(model, base)):
            found = "none" if model is None else repr(model)
            expected = f"a subclass of {base.__module__}.{base.__name__}"
            raise wrong(entry, f"its Settings: expected {expected}, found {found}")
        if base is SourceSettings and typing.get_args(model.model_fields["kind"].annotation) != (
            kind,
        ):
            raise wrong(entry, f'its Settings: expected kind: Literal["{kind}"]')
        return model

    def _added(self, kind: str) -> Any:
        """The class of an added kind.  Raises ExtensionError."""
        from adapters.extensions import loaded, wrong

        entry = self._entries()[kind]
        if not _NAME.fullmatch(kind):
            raise wrong(entry, "expected a name of a to z, 0 to 9, - and _")
        found, port = loaded(entry), _object(self._port)
        if not (isinstance(found, type) and issubclass(found, port)):
            expected = self._port.replace(":", ".")
            raise wrong(entry, f"expected a subclass of {expected}, found {found!r}")
        return found

    def _entries(self) -> Mapping[str, EntryPoint]:
        from adapters.extensions import entries  # the packages' metadata take time to look at

        return entries(self._group, self.rows)


def _object(row: str) -> Any:
    module, _, name = row.partition(":")
    return getattr(import_module(module), name)
