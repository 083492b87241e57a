"""Reads of guest memory that the fast check in generated code refused, done with care.

They follow mirrors, look at other regions, ask for lines that have not been fetched, and raise the
reason where there is nothing to read.
"""

from __future__ import annotations

from typing import NoReturn

from bridge.evaluation.absence import Absent, Missing, NotHeld, Site
from bridge.evaluation.runtime import null
from bridge.memory.address_map import LINE_SHIFT, MemoryMap
from bridge.memory.image import Image
from bridge.values.status import Status

__all__ = ["GuestAccess"]

_NOT_HELD = "not there: the source does not hold it"


class GuestAccess:
    """Access to one image after another of a guest's memory.

    ``memory`` is what the source holds and ``guest`` the whole map; ``absent_status`` and
    ``absent_words`` say why bytes are not there that are in the one but not in the other.
    ``needed`` are the numbers of the lines that are missing.
    """

    def __init__(self, memory: MemoryMap) -> None:
        self.memory = self.guest = memory
        self.absent_status = Status.UNMAPPED
        self.absent_words = "is not in what the source holds"
        self.image = Image(MemoryMap(()))
        self.needed: set[int] = set()

    def locate(self, pointer: int, site: Site) -> int:
        """The flat index of an access that the fast check refused: a mirror, another region."""
        if not pointer and site.pointer:
            null(site.pointer)
        address = pointer + site.offset
        if pointer & site.mask:
            raise Absent(
                Status.MISALIGNED,
                f"{site.place}: 0x{pointer + site.value_offset:08X} is not a multiple of "
                f"{site.mask + 1}",
            )
        flat = self.memory.flat(address, site.size)
        if flat is None:
            self._refuse(site.place, address)
        return flat

    def outside(self, site: Site) -> NoReturn:
        """An access at a known address that is nowhere."""
        self._refuse(site.place, site.offset)

    def _refuse(self, place: str, address: int) -> NoReturn:
        if address < 0:
            raise Absent(Status.UNMAPPED, f"{place}: address {address} is negative")
        region, in_guest = self.memory.region_at(address), self.guest.region_at(address)
        if region is not None and region == in_guest:
            what = f"and its size reach past the end of {region.name}"
        elif in_guest is not None:
            what = f"is in {in_guest.name}, {self.absent_words.removeprefix('is ')}"
            reason = f"{place}: 0x{address:08X} {what}"
            raise NotHeld(Status.UNMAPPED, reason, cause=_NOT_HELD)
        else:
            names = [region.name for region in self.memory.regions]
            what = f"is outside {names[0] if len(names) == 1 else 'every region'}"
        raise Absent(Status.UNMAPPED, f"{place}: 0x{address:08X} {what}")

    def miss(self, index: int, site: Site) -> None:
        """Ask for the lines of an access that is not known to be there.

        Returns where its bytes are there after all; raises Absent where the source does not hold
        them, Missing where they have to come first.
        """
        image, missing = self.image, False
        for line in range(index >> LINE_SHIFT, ((index + site.size - 1) >> LINE_SHIFT) + 1):
            if image.held[line] or image.has(line, index, site.size):
                continue
            if line in image.absent or line in image.partial:
                address = self.memory.address(index)
                reason = f"{site.place}: 0x{address:08X} {self.absent_words}"
                cause = _NOT_HELD if self.absent_status is Status.UNMAPPED else ""
                lacking = NotHeld(self.absent_status, reason, cause=cause)
                lacking.site, lacking.address = site, address
                raise lacking
            self.needed.add(line)
            missing = True
        if missing:
            raise Missing

    def look_ahead(self, lines: range) -> None:
        """Ask for lines that will most likely be needed, too."""
        image = self.image
        for line in lines:
            if not image.held[line] and line not in image.absent and line not in image.partial:
                self.needed.add(line)
                if self.absent_status is Status.WAITING:
                    image.touched[line] = 1  # its sender sends what was touched
