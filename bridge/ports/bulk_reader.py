"""Port of bulk reading: all of a source's memory, read beside the sampler."""

from __future__ import annotations

import abc
from collections.abc import Sequence
from dataclasses import dataclass

from bridge.memory.address_map import Span

__all__ = ["BulkReader", "OpenFile"]


@dataclass(frozen=True, slots=True)
class OpenFile:
    """A file that holds one span's bytes from *offset* on, by its *descriptor*."""

    descriptor: int
    offset: int


class BulkReader(abc.ABC):
    """Reads a running guest's memory from a thread of its own.

    ``spans`` are what there is, one for each region that is held.  Bytes come in the source's
    order, and the guest may write while they are read.
    """

    spans: Sequence[Span]

    @property
    def file(self) -> OpenFile | None:
        """The file that the only span lies in, where a process of its own may map it."""
        return None

    def view(self, address: int, length: int) -> memoryview | None:
        """The bytes where they lie, where that can be; they change while they are looked at."""
        return None

    @abc.abstractmethod
    def read_into(self, address: int, into: memoryview) -> None:
        """Fill *into* with the bytes from canonical guest address *address* on.

        Raises SourceLost where they are not there any more.
        """

    @abc.abstractmethod
    def close(self) -> None:
        """Let go of everything; harmless the second time, and not while a read is under way."""
