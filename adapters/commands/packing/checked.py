"""A pack looked at as a whole: what it is, and whether it holds what it promises."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from adapters.commands.console.tables import columns
from adapters.commands.console.telling import tell
from adapters.commands.console.until_stopped import run_until_stopped
from adapters.packs.reading import Pack
from adapters.packs.unpacking import unpack
from adapters.printable import printable
from adapters.sessions.layouts_seen import layouts_seen
from adapters.sessions.verifying import load_prepared, moments_by_source, verdicts
from bridge.verifying.expectation import Verdict
from schemas.errors import SourceError
from schemas.loader import Bridge

__all__ = ["CheckedPack", "checked_pack"]


@dataclass(slots=True)
class CheckedPack:
    """What was found; ``layouts`` has the first frame of each clip in which each matches."""

    pack: Pack
    verdicts: list[tuple[str, Verdict]] = field(default_factory=list)
    layouts: list[tuple[str, str, int | None, str]] = field(default_factory=list)
    """Layout, clip, frame, and why the clip could not be read."""

    @property
    def failed(self) -> bool:
        """Whether something is not as expected, or a clip cannot be read."""
        unread = any(why for *_, why in self.layouts)
        return unread or not all(verdict.passed for _, verdict in self.verdicts)

    def lines(self) -> Iterator[str]:
        """What is printed, but for the watches."""
        manifest = self.pack.manifest
        yield printable(f"{manifest.title}: {manifest.game}, packed by {manifest.made_by}")
        for name, build in manifest.builds.items():
            known = ", ".join(
                f"{each.bytes_.hex(' ').upper()} at 0x{each.at:08X}"
                for each in build.recognise
                if each.bytes_ is not None
            )
            title = f" ({build.title})" if build.title else ""
            yield printable(f"build {name}{title}: {known or 'not recognised by itself'}")
        rows = [["file", "kind", "bytes"]]
        yield from columns([*rows, *([m.path, m.kind, str(m.size)] for m in manifest.members)])
        yield f"{len(manifest.members)} files, each with the SHA-256 of the manifest"
        for layout, clip, frame, why in self.layouts:
            words = f"matches first in frame {frame}" if frame is not None else "matches nowhere"
            yield printable(f"layout {layout}: {why or words} of {clip}")
        for path, verdict in self.verdicts:
            if not verdict.passed:
                place = f"{path}:{verdict.line}: {verdict.path[0]}"
                words = f"expected {verdict.expected}, found {verdict.found}"
                yield printable(f"{place}: {words}")
        if self.verdicts:
            good = sum(verdict.passed for _, verdict in self.verdicts)
            yield f"expectations: {good} as expected, {len(self.verdicts) - good} not"

    def as_json(self) -> dict[str, Any]:
        """The key ``pack`` of ``check --json``."""
        manifest = self.pack.manifest
        return {
            "title": manifest.title,
            "game": manifest.game,
            "made_by": manifest.made_by,
            "builds": list(manifest.builds),
            "members": [member.model_dump() for member in manifest.members],
            "layouts": [
                {"layout": layout, "clip": clip, "frame": frame, "reason": why}
                for layout, clip, frame, why in self.layouts
            ],
            "expectations": [
                {
                    "file": path,
                    "line": verdict.line,
                    "expected": verdict.expected,
                    "found": verdict.found,
                    "passed": verdict.passed,
                }
                for path, verdict in self.verdicts
            ],
        }


def checked_pack(pack: Pack, bridge: Bridge) -> CheckedPack:
    """Read every file against its digest, and hold expectations and layouts against the clips.

    Raises PackError, and what is wrong with a file of expectations.
    """
    found = CheckedPack(pack)
    with tempfile.TemporaryDirectory(prefix="lowhalf-check-", ignore_cleanup_errors=True) as place:
        folder = Path(place) / "pack"
        unpack(pack, folder)
        for member in pack.manifest.of_kind("expectations"):
            prepared = load_prepared(folder / member.path)
            for group in moments_by_source(prepared.written):
                looked = run_until_stopped(verdicts(prepared, group, tell=tell))
                found.verdicts += [(member.path, verdict) for verdict in looked]
        clips = list(pack.manifest.of_kind("clip")) if bridge.file.layouts else []
        for clip in clips:
            try:
                seen = run_until_stopped(layouts_seen(bridge, folder / clip.path))
            except SourceError as fault:
                found.layouts += [
                    (name, clip.path, None, fault.detail) for name in bridge.file.layouts
                ]
                continue
            found.layouts += [(name, clip.path, frame, "") for name, frame in seen.items()]
    return found
