"""How frames of a recording are sampled, whatever is asked of them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from adapters.sessions.pasts.recorded_clock import RecordedClock
from adapters.sessions.setup import sampling_setup
from bridge.ports.source import Source
from bridge.prepared import PreparedBuild
from bridge.sampling.setup import SamplingSetup
from schemas.loader import Bridge

__all__ = ["replay_setup"]


def replay_setup(
    bridge: Bridge, prepared_builds: Mapping[str, PreparedBuild], source: Source
) -> SamplingSetup:
    """By the clock of the recording *source*, whose path *bridge* names."""
    return replace(sampling_setup(bridge, prepared_builds), clock=RecordedClock(source))
