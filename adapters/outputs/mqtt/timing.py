"""How long an MQTT connection waits for what."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["Timing"]


@dataclass(frozen=True, slots=True)
class Timing:
    """Times in seconds."""

    heartbeat: float = 2.0
    """Between two messages that the broker must acknowledge."""
    patience: float = 2.0
    """How long the broker may take over anything."""
    farewell: float = 0.4
    """How long the broker may take over the last message, and again over the end."""
    first_retry: float = 0.2
    longest_retry: float = 5.0
    refused_retry: float = 5.0
    """The shortest wait after a refusal; it grows to six times that."""
    look: float = 0.3
    """How long the broker may take to tell whose the device is, where it says nothing else."""
    standby: float = 6.0
    """How long another process must have been silent before its device is taken."""
    deaf: float = 10.0
    """How long who floods the device's topics is not listened to."""
