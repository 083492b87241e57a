"""A bridge as it was when it was loaded, for another process."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from adapters.recordings.header import About, decode_about
from adapters.sessions.followed_plan import followable
from adapters.sessions.kinds import ADDED
from schemas.errors import BridgeFileError, LayoutFileError, PlanFileError, SchemaError
from schemas.loader import Bridge, bridge_of_texts
from schemas.toml_file import TomlText

__all__ = ["BridgeTexts"]


@dataclass(frozen=True, slots=True)
class BridgeTexts:
    """The texts of a bridge file, its schema and its layouts: those can be pickled."""

    path: Path
    about: bytes

    @classmethod
    def of(cls, bridge: Bridge) -> BridgeTexts:
        return cls(bridge.path, About.of(bridge, "", "").encode())

    def bridge(self) -> Bridge:
        """The bridge.  Raises what loading it raises."""
        about, folder = decode_about(self.about), self.path.parent
        layouts = {
            name: TomlText(folder / f"{name}.layout.toml", words, LayoutFileError)
            for name, words in about.layouts.items()
        }
        plans = {
            name: TomlText(folder / f"{name}.plan.toml", words, PlanFileError)
            for name, words in about.plans.items()
        }
        bridge = bridge_of_texts(
            TomlText(self.path, about.bridge, BridgeFileError),
            TomlText(folder / "schema.toml", about.schema, SchemaError),
            layouts,
            plans,
            added=ADDED,
        )
        return followable(bridge)
