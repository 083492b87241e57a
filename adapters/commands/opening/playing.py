"""A recording played with the two files that it holds, so that nothing else is needed."""

from __future__ import annotations

import argparse
import tempfile
import tomllib
from pathlib import Path
from typing import Any

from adapters.commands.demo import SPARE_PORTS, keeping_in
from adapters.commands.run import add_output_arguments, run_bridge
from adapters.recordings.reader import open_recording
from adapters.sessions.bridge_file import load_bridge
from schemas.loader import Bridge

__all__ = ["play", "recorded_bridge"]


def play(recording: Path) -> int:
    """Play it over and over, with the pages, until stopped; the exit code.  Raises LowhalfError."""
    parser = argparse.ArgumentParser()
    add_output_arguments(parser)
    with tempfile.TemporaryDirectory(prefix="lowhalf-play-", ignore_cleanup_errors=True) as place:
        bridge = recorded_bridge(recording, Path(place))
        return run_bridge(bridge, parser.parse_args(["--browser"]), spare_ports=SPARE_PORTS)


def recorded_bridge(recording: Path, folder: Path) -> Bridge:
    """The bridge that was recorded, with the recording as its source.

    Its files are written to *folder*, where its attempts are kept as well: what is played may
    lie where nothing can be written.  Of its outputs only the pages are left.  Layouts are looked
    for beside the recording.  Raises SourceError, BridgeFileError and SchemaError.
    """
    recording = recording.absolute()
    about = open_recording(recording).about
    (folder / "recorded.schema.toml").write_text(about.schema, "utf-8")
    path = folder / f"{recording.stem or 'recorded'}.bridge.toml"
    path.write_text(about.bridge, "utf-8")
    replaced = {
        "schema": "recorded.schema.toml",
        "source": {"kind": "recording", "path": str(recording)},
        "outputs": {"overlay": {}},
        **_layouts(about.bridge, recording.parent),
    }
    return keeping_in(load_bridge(path, replaced=replaced), folder)


def _layouts(text: str, folder: Path) -> dict[str, Any]:
    """The table of layouts with its paths in *folder*; nothing where the text has no such table."""
    try:
        layouts = tomllib.loads(text)["layouts"].items()
        named = {name: {"path": each} if isinstance(each, str) else each for name, each in layouts}
        return {
            "layouts": {
                name: {**each, "path": str(folder / each["path"])} for name, each in named.items()
            }
        }
    except (ValueError, RecursionError, AttributeError, LookupError, TypeError):
        return {}  # whoever reads the file tells of it
