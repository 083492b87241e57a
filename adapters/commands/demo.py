"""``lowhalf demo``: plays a bundled recording of the demo game and serves the pages."""

from __future__ import annotations

import argparse
import tempfile
from dataclasses import replace
from importlib import resources
from pathlib import Path

from adapters.commands.run import SPARE_PORTS, add_output_arguments, run_bridge
from adapters.sessions.bridge_file import load_bridge
from schemas.errors import BridgeFileError
from schemas.loader import Bridge
from schemas.toml_file import TomlText

__all__ = ["SPARE_PORTS", "add_arguments", "demo_bridge", "keeping_in", "run"]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    add_output_arguments(parser)


def demo_bridge() -> Path:
    """The bundled bridge file."""
    return Path(str(resources.files("sample_dumps") / "demo.bridge.toml"))


def run(arguments: argparse.Namespace) -> int:
    # where the user names an address, no other will do
    spare = SPARE_PORTS if arguments.listen is None else 0
    with tempfile.TemporaryDirectory(prefix="lowhalf-demo-", ignore_cleanup_errors=True) as place:
        bridge = keeping_in(load_bridge(demo_bridge()), Path(place))
        return run_bridge(bridge, arguments, spare_ports=spare)


def keeping_in(bridge: Bridge, directory: Path) -> Bridge:
    """The same bridge with its attempts and tallies kept in *directory*.

    Beside the bundled file, or a recording, nothing can be kept: what is installed may be read
    only, and a demo leaves nothing behind.
    """
    table = bridge.file.attempts
    if table is None:
        place = directory / bridge.path.name
        return replace(bridge, text=TomlText(place, bridge.text.text, BridgeFileError))
    kept = table.model_copy(update={"file": str(directory / "demo.attempts.sqlite")})
    return replace(bridge, file=bridge.file.model_copy(update={"attempts": kept}))
