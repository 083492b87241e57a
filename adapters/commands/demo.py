"""``lowhalf demo``: plays a bundled recording of the demo game and serves the pages."""

from __future__ import annotations

import argparse
from importlib import resources
from pathlib import Path

from adapters.commands.run import add_output_arguments, run_bridge
from schemas.loader import load_bridge

SPARE_PORTS = 20
"""Ports after the demo's own that are tried where that is in use."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    add_output_arguments(parser)


def demo_bridge() -> Path:
    """The bundled bridge file."""
    return Path(str(resources.files("sample_dumps") / "demo.bridge.toml"))


def run(arguments: argparse.Namespace) -> int:
    # where the user names an address, no other will do
    spare = SPARE_PORTS if arguments.listen is None else 0
    return run_bridge(load_bridge(demo_bridge()), arguments, spare_ports=spare)
