"""``lowhalf record``: the daemon with one output, a recording."""

from __future__ import annotations

import argparse
from dataclasses import replace
from pathlib import Path

from adapters.commands.console.bridge_argument import (
    add_bridge_argument,
    given_bridge,
    require_source,
)
from adapters.commands.run import run_bridge
from schemas.errors import LowhalfError
from schemas.loader import Bridge
from schemas.output_settings import Outputs, RecordingOutput
from schemas.system_words import system_words

__all__ = ["add_arguments", "recorded", "run"]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    add_bridge_argument(parser)
    parser.add_argument(
        "file",
        type=Path,
        nargs="?",
        metavar="FILE",
        help="the recording, a .mcap file; otherwise as [outputs.recording] has it",
    )
    parser.add_argument(
        "--ram", choices=("whole", "touched", "none"), help="how much memory is recorded"
    )
    parser.add_argument("--force", action="store_true", help="replace FILE where it is there")
    parser.add_argument("--seconds", type=float, metavar="N", help="end after N seconds")
    parser.add_argument(
        "--stats", action="store_true", help="at the end print the counts of frames"
    )
    parser.usage = "lowhalf record [options] BRIDGE.toml [FILE] [-- COMMAND …]"
    parser.epilog = "COMMAND, such as the emulator, is started first; both end together"
    parser.set_defaults(json=False, quiet=True, listen=None, browser=False)


def run(arguments: argparse.Namespace) -> int:
    file: Path | None = arguments.file
    given = given_bridge(arguments)
    require_source(given, arguments.bridge)
    bridge = recorded(given, file, arguments.ram)
    if file is not None and file.exists():
        if file.stat().st_size and not arguments.force:
            raise LowhalfError(f"{file} is there already; --force replaces it")
        _remove(file)
    return run_bridge(bridge, arguments, arguments.after_dashes)


def _remove(file: Path) -> None:
    try:
        file.unlink()
    except OSError as fault:
        raise LowhalfError(f"{file} cannot be replaced: {system_words(fault)}") from fault


def recorded(bridge: Bridge, file: Path | None, ram: str | None) -> Bridge:
    """The bridge with a recording as its only output."""
    settings = bridge.file.outputs.recording or RecordingOutput()
    changed: dict[str, object] = {}
    if file is not None:
        changed["path"] = str(file.absolute())
    if ram is not None:
        changed["ram"] = ram
    outputs = Outputs(recording=settings.model_copy(update=changed))
    return replace(bridge, file=bridge.file.model_copy(update={"outputs": outputs}))
