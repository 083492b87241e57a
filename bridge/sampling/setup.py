"""What every sampler of a bridge file is made with, whichever source it reads."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from bridge.memory.address_map import MemoryMap
from bridge.memory.byte_order import ByteOrder
from bridge.ports.clock import Clock
from bridge.prepared import PreparedBuild

__all__ = ["SamplingSetup"]


@dataclass(frozen=True)
class SamplingSetup:
    """``prepared_builds`` are the builds that may be running, by name.

    ``memory`` is the guest's memory by the schema.  ``declared`` is the byte order that the bridge
    file names, None for auto.  ``rate`` is in frames a second, at most.
    """

    prepared_builds: Mapping[str, PreparedBuild]
    memory: MemoryMap
    clock: Clock
    declared: ByteOrder | None = None
    rate: float = 60.0
