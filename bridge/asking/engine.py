"""One build of those that are asked for: what is wanted of it, and what looks at its memory."""

from __future__ import annotations

from collections.abc import Mapping

from bridge.asking.aims import Aim, Aims, part_of, whole_reads
from bridge.asking.looking import Looking, Seen
from bridge.memory.address_map import MemoryMap
from bridge.values.status import Status

__all__ = ["Engine"]

_ODD = (Status.UNMAPPED, Status.MISALIGNED, Status.DAMAGED)
"""What an answer leads to where it is most likely wrong."""


class Engine:
    """The aims of a build, with ``looking`` at the memory that is known.

    ``whole`` are the places that are asked for as a whole, and ``order`` is the watches' own, by
    their names.
    """

    def __init__(self, aims: Aims, memory: MemoryMap) -> None:
        self.aims = aims.aims
        self.layout = aims.prepared.layout
        self.looking = Looking(aims, memory)
        self.whole = whole_reads(aims)
        self.order = {name: place for place, name in enumerate(aims.prepared.program.watches)}
        self._memory = memory

    def odd(self, before: Seen, then: Seen) -> str:
        """What watches would come to by an answer that they can hardly come to; else empty."""
        for aim in self.aims:
            known, fault = before.faults[aim.slot], then.faults[aim.slot]
            is_new = fault is not None and (known is None or fault.reason != known.reason)
            if fault is not None and is_new and fault.status in _ODD:
                return f"{aim.title}: {fault.reason}"
            caution = then.cautions.get(aim.slot)
            if fault is None and caution and caution != before.cautions.get(aim.slot):
                return f"{aim.title}: {caution}"
            if aim.is_address and (words := self._outside(aim, then)):
                return f"{aim.title}: {words}"
        return ""

    def _outside(self, aim: Aim, seen: Seen) -> str:
        """What is wrong with the address that an aim would have."""
        value, (offset, size) = seen.values[aim.slot], part_of(aim.access)
        if seen.faults[aim.slot] is not None or not isinstance(value, int):
            return ""
        if self._memory.flat(value + offset, max(size, 1)) is not None:
            return ""
        return f"would stand at 0x{value + offset:08X}, which is outside every region"

    def way(self, aim: Aim, all_known: Mapping[int, int]) -> set[int]:
        """The addresses of the known bytes that an aim needs, found by going its way anew."""
        known: dict[int, int] = {}
        while (lacking := self.looking.look(known).lacking(aim)) is not None:
            span = range(lacking.address, lacking.address + lacking.site.size)
            found = {at: all_known[at] for at in span if at in all_known and at not in known}
            if not found:
                break
            known |= found
        return set(known)
