"""What samplers are made with, from a bridge file: for the daemon, one frame and replays alike."""

from __future__ import annotations

from collections.abc import Mapping

from adapters.sources.catalogue import declared_order
from adapters.system_clock import system_clock
from bridge.prepared import PreparedBuild, memory_map
from bridge.sampling.setup import SamplingSetup
from schemas.loader import Bridge

__all__ = ["for_source", "sampling_setup"]


def for_source(
    bridge: Bridge, prepared_builds: Mapping[str, PreparedBuild]
) -> dict[str, PreparedBuild]:
    """The builds as the bridge's source can serve them: a person types no counter and no heap."""
    if bridge.file.source.kind != "typed":
        return dict(prepared_builds)
    from bridge.asking.aims import by_hand

    return {name: by_hand(prepared) for name, prepared in prepared_builds.items()}


def sampling_setup(bridge: Bridge, prepared_builds: Mapping[str, PreparedBuild]) -> SamplingSetup:
    """The setup by which *bridge*'s own source is sampled, in real time."""
    return SamplingSetup(
        prepared_builds,
        memory_map(bridge.schema),
        system_clock(),
        declared=declared_order(bridge.file.source),
        rate=bridge.file.sampling.rate,
    )
