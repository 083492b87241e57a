"""A recording played with the files that it holds, so that nothing else is needed."""

from __future__ import annotations

import argparse
import tempfile
from dataclasses import replace
from pathlib import Path

from adapters.commands.demo import SPARE_PORTS, keeping_in
from adapters.commands.run import add_output_arguments, run_bridge
from adapters.sessions.recorded_bridge import recorded_bridge
from schemas.loader import Bridge
from schemas.output_settings import Outputs, OverlayOutput
from schemas.source_settings import RecordingSource

__all__ = ["play", "played_bridge"]


def play(recording: Path) -> int:
    """Play it over and over, with the pages, until stopped; the exit code.  Raises LowhalfError."""
    parser = argparse.ArgumentParser()
    add_output_arguments(parser)
    bridge = played_bridge(recording)
    with tempfile.TemporaryDirectory(prefix="lowhalf-play-", ignore_cleanup_errors=True) as place:
        kept = keeping_in(bridge, Path(place))
        return run_bridge(kept, parser.parse_args(["--browser"]), spare_ports=SPARE_PORTS)


def played_bridge(recording: Path) -> Bridge:
    """The bridge that was recorded, with the recording as its source, in the time in which it
    happened, and of outputs the pages alone.

    Raises as :func:`~adapters.sessions.recorded_bridge.recorded_bridge` does.
    """
    bridge = recorded_bridge(recording)
    source = RecordingSource(kind="recording", path=str(recording.absolute()))
    outputs = Outputs(overlay=OverlayOutput())
    file = bridge.file.model_copy(update={"source": source, "outputs": outputs})
    return replace(bridge, file=file)
