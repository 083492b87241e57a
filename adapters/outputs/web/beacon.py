"""The picture by which a waiting page sees that the server is up."""

from __future__ import annotations

__all__ = ["BEACON"]

BEACON = "/here.svg"
"""Its path."""
