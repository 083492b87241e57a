"""Lists of a frame that several watches may use: walked or evaluated once, however often asked for.

They are linked lists, by where they begin, and the lists that are functions of their own in
generated code, by what they mean.
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Hashable, Sequence
from typing import Any

from bridge.evaluation.absence import Absent, Site
from bridge.evaluation.budget import Budget, FoundList, OverBudget, copied
from bridge.evaluation.guest_access import GuestAccess
from bridge.evaluation.heap_access import Cautions
from bridge.memory.address_map import LINE_SHIFT
from schemas.compiler import BuildLayout

__all__ = ["MAX_CHAIN", "SharedLists"]

MAX_CHAIN = 4096
_CHAIN_STEPS, _CHAIN_PART = 4, 64
"""What an element of a linked list costs, and how many are counted together."""


class SharedLists:
    """The lists of one evaluator.

    *meanings* are what the lists with functions of their own mean; ``functions`` are those, once
    they are compiled, and ``arguments`` what they take in the frame at hand.  What a list is warned
    of is in *cautions* behind those of the *slots*.  ``chains`` are the linked lists that were
    walked in the frame.
    """

    def __init__(
        self,
        layout: BuildLayout,
        access: GuestAccess,
        budget: Budget,
        cautions: Cautions,
        meanings: Sequence[Hashable],
        slots: int,
    ) -> None:
        formats = {2: "H", 4: "I", 8: "Q"}
        self._pointer = struct.Struct(layout.order + formats[layout.pointer_size]).unpack_from
        self._access = access
        self._budget = budget
        self._cautions = cautions
        self._meanings = meanings
        self._slots = slots
        self.functions: Sequence[Callable[..., Any]] = ()
        self.arguments: tuple[Any, ...] = ()
        self._found: list[FoundList | None] = [None] * len(meanings)
        self.chains: dict[tuple[int, int], tuple[list[int], set[int], int]] = {}

    def begin(self) -> None:
        """Another frame begins."""
        self._found = [None] * len(self._meanings)
        self.chains.clear()

    def chain(self, head: int, site: Site) -> list[int]:
        """Addresses of a linked list's structs.  A walk that lacked a line goes on where it was."""
        key = (head, site.offset)
        found, seen, address = self.chains.get(key) or ([], set(), head)
        access, spend = self._access, self._budget.spend
        image, whole = access.image, access.image.whole
        region = access.memory.regions[0]
        shift, limit = site.offset - region.start, region.size - site.size
        ram, pointer, mask = image.bytes, self._pointer, site.mask
        steps = len(found)
        while address and address not in seen and len(found) < MAX_CHAIN:
            index = address + shift
            if not 0 <= index <= limit or address & mask:
                index = access.locate(address, site)
            if not whole:
                last = (index + site.size - 1) >> LINE_SHIFT
                for line in range(index >> LINE_SHIFT, last + 1):
                    image.touched[line] = 1
                    if not image.held[line]:
                        self.chains[key] = (found, seen, address)
                        access.miss(index, site)
            found.append(address)
            seen.add(address)
            (address,) = pointer(ram, index)
            if len(found) - steps == _CHAIN_PART:
                steps += _CHAIN_PART
                spend(_CHAIN_PART * _CHAIN_STEPS)
        spend((len(found) - steps + 1) * _CHAIN_STEPS)
        self.chains[key] = (found, seen, 0)
        return found

    def shared(self, number: int, slot: int | None) -> Any:
        """A list that means the same wherever it stands: evaluated once a frame."""
        found = self._found[number]
        if found is None:
            known = self._budget.work.lists
            key = self._meanings[number]
            found = known.get(key)
            if found is None:
                found = known[key] = self._evaluated(number)
            self._found[number] = found
        if found.caution is not None and slot is not None:
            self._cautions.add(found.caution, slot)
        return found.give()

    def _evaluated(self, number: int) -> FoundList:
        """A shared list, or the fault that it always has.  Raises what may not be so next time."""
        cautions, place = self._cautions.by_slot, self._slots + number
        cautions.pop(place, None)
        mark = self._budget.mark
        try:
            values = self.functions[number](*self.arguments)
        except OverBudget as fault:
            if not self._budget.by_itself(mark):
                raise
            return FoundList(fault=copied(fault))
        except (Absent, ArithmeticError) as fault:
            return FoundList(fault=copied(fault), caution=cautions.get(place))
        return FoundList(values, caution=cautions.get(place))
