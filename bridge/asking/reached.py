"""What has been reached of each watch: its value, its address, or why neither."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

from bridge.asking.aims import Aim, part_of, sum_of_place
from bridge.asking.looking import Seen
from bridge.asking.question import AddressSum, canonical
from bridge.memory.address_map import MemoryMap
from bridge.readings.reading import Reading

__all__ = ["LEFT_OUT", "Reached", "Standing", "reached_of"]

LEFT_OUT = "left out by you"


class Standing(StrEnum):
    """How a watch stands."""

    VALUE = "value"
    ADDRESS = "address"
    ABSENT = "absent"
    """It has no value, as where a pointer is null."""
    ASKED = "asked"
    SKIPPED = "skipped"
    NOT_BY_HAND = "not-by-hand"


@dataclass(frozen=True, slots=True)
class Reached:
    """What has been reached of an aim.

    ``address`` is where it stands, None where it is computed or not known yet; ``total`` its sum.
    ``reading`` is the watch's, of a step and of an address None.
    """

    aim: Aim
    standing: Standing
    text: str = ""
    address: int | None = None
    reason: str = ""
    total: AddressSum | None = None
    reading: Reading | None = None


def reached_of(
    aim: Aim, seen: Seen, held: Mapping[str, int], memory: MemoryMap, left_out: str
) -> Reached:
    """What a look gave of an aim.  *held* are the pointers that were typed, by their texts, and
    *left_out* is why no more is asked for it; empty where it is."""
    if aim.impossible:
        return Reached(aim, Standing.NOT_BY_HAND, reason=aim.impossible)
    fault, value = seen.faults[aim.slot], seen.values[aim.slot]
    reading = None if aim.is_address else seen.readings.get(aim.name)
    address = seen.addresses[aim.slot]
    if aim.is_address and isinstance(value, int) and fault is None:
        address = value + part_of(aim.access)[0]
    total = None if address is None else sum_of_place(aim.access, address, held)
    address = None if address is None else canonical(memory, address)
    if seen.lacking(aim) is not None:
        assert fault is not None
        standing = Standing.ASKED
        if left_out:
            standing = Standing.SKIPPED if left_out == LEFT_OUT else Standing.NOT_BY_HAND
        return Reached(aim, standing, "", address, left_out or fault.reason, total, reading)
    if fault is not None:
        return Reached(aim, Standing.ABSENT, "", address, fault.reason, total, reading)
    if aim.is_address:
        return Reached(aim, Standing.ADDRESS, "", address, "", total)
    text = reading.text if reading is not None else str(value).lower()
    return Reached(
        aim, Standing.VALUE, text, address, seen.cautions.get(aim.slot, ""), total, reading
    )
