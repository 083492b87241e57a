"""Port of bulk reading: all of a source's memory, read beside the sampler."""

from __future__ import annotations

import abc
from collections.abc import Sequence

from bridge.memory.address_map import Span

__all__ = ["BulkReader"]


class BulkReader(abc.ABC):
    """Reads a running guest's memory from a thread of its own.

    ``spans`` are what there is, one for each region that is held.  Bytes come in the source's
    order, and the guest may write while they are read.
    """

    spans: Sequence[Span]

    @abc.abstractmethod
    def read_into(self, address: int, into: memoryview) -> None:
        """Fill *into* with the bytes from canonical guest address *address* on.

        Raises SourceLost where they are not there any more.
        """

    @abc.abstractmethod
    def close(self) -> None:
        """Let go of everything; harmless the second time, and not while a read is under way."""
