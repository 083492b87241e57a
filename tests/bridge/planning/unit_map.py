"""A second allocator, slow and written by the words of ``policy.py`` alone, to hold ours against.

It keeps one entry for each alignment unit of the arena: the number of the region that the unit
belongs to.  It shares nothing with the planner but the words of policies and effects.
"""

from __future__ import annotations

from collections.abc import Callable

from bridge.planning.actions import Effect
from bridge.planning.policy import Policy

WALL_NAME = "(wall)"


class CannotBeDone(Exception):
    """An effect that is not possible."""


class UnitMap:
    """``units`` is the region of each unit; ``names`` the kind of each region that is not free.

    ``stamps`` tells when each region came to be, greater is later.  ``rover`` is a unit.
    """

    def __init__(self, policy: Policy, sizes: dict[str, int], text: list[tuple[str, int]]) -> None:
        self.policy, self.sizes = policy, sizes
        self.units: list[int] = []
        self.names: dict[int, str] = {}
        self.stamps: dict[int, int] = {}
        self.clock = 0
        self.hand: int | None = None
        for name, length in text:
            region = self._region(name)
            self.units += [region] * length
        self.rover = 0 if policy.tried_from == "low" else len(self.units)

    def _region(self, name: str) -> int:
        self.clock += 1
        if name:
            self.names[self.clock] = name
        self.stamps[self.clock] = self.clock
        return self.clock

    def copy(self) -> UnitMap:
        """The same, to be changed apart."""
        other = UnitMap(self.policy, self.sizes, [])
        other.units, other.names = list(self.units), dict(self.names)
        other.stamps, other.clock = dict(self.stamps), self.clock
        other.hand, other.rover = self.hand, self.rover
        return other

    def first_unit(self, region: int) -> int:
        """Where a region begins."""
        return self.units.index(region)

    def length(self, region: int) -> int:
        """How many units it has."""
        return self.units.count(region)

    def regions(self) -> list[int]:
        """All regions, by where they begin."""
        found: list[int] = []
        for region in self.units:
            if not found or found[-1] != region:
                found.append(region)
        return found

    def free_regions(self) -> list[int]:
        """Those that are nobody's."""
        return [region for region in self.regions() if region not in self.names]

    # effects

    def do(self, effect: Effect) -> None:
        """What an effect does.  Raises CannotBeDone."""
        match type(effect).__name__:
            case "Alloc":
                for _ in range(effect.count):  # type: ignore[union-attr]
                    self.hand_out(effect.kind, effect.end)  # type: ignore[union-attr]
            case "Free":
                for region in self._meant(effect):
                    self.take_back(region)
            case "Hold":
                (self.hand,) = self._meant(effect)
            case _:
                if self.hand is None:
                    raise CannotBeDone
                self.hand = None

    def _meant(self, effect: Effect) -> list[int]:
        kinds, which = effect.kinds, str(effect.which)  # type: ignore[union-attr]
        there = [region for region in self.regions() if self.names.get(region) in kinds]
        if which == "held":
            if self.hand not in there:
                raise CannotBeDone
            return [self.hand]
        count = getattr(effect, "count", 1)
        if which == "all":
            which, count = str(effect.order), len(there)  # type: ignore[union-attr]
        if len(there) < count:
            raise CannotBeDone
        key: dict[str, Callable[[int], int]] = {
            "newest": lambda region: -self.stamps[region],
            "oldest": lambda region: self.stamps[region],
            "lowest": self.first_unit,
            "highest": lambda region: -self.first_unit(region),
        }
        return sorted(there, key=key[which])[:count]

    # handing out

    def hand_out(self, kind: str, end: str | None) -> None:
        """One block.  Raises CannotBeDone where none is to be had and that is no success."""
        from_low = (end or self.policy.tried_from) == "low"
        at_low = (end or self.policy.carved_from) == "low"
        wanted = 0
        while wanted * self.policy.alignment < self.policy.header + self.sizes[kind]:
            wanted += 1
        region = self._find(wanted, from_low)
        if region is None and self.policy.merge == "when full":
            self._join_everything()
            region = self._find(wanted, from_low)
        if region is None:
            if self.policy.when_full == "impossible":
                raise CannotBeDone
            return
        left = self.length(region) - wanted
        if left * self.policy.alignment < self.policy.least_rest:
            wanted, left = wanted + left, 0
        start = self.first_unit(region) + (0 if at_low else left)
        block = self._region(kind)
        for unit in range(start, start + wanted):
            self.units[unit] = block
        if self.policy.fit == "next":
            self.rover = start + wanted if from_low else start

    def _find(self, wanted: int, from_low: bool) -> int | None:
        order = self._order(from_low)
        enough = [region for region in order if self.length(region) >= wanted]
        if self.policy.keeps_last:
            last = self.units[-1] if from_low else self.units[0]
            if enough != [last]:
                enough = [region for region in enough if region != last]
        if not enough:
            return None
        lengths = [self.length(region) for region in enough]
        place = {"best": lengths.index(min(lengths)), "worst": lengths.index(max(lengths))}
        return enough[place.get(self.policy.fit, 0)]

    def _order(self, from_low: bool) -> list[int]:
        free = self.free_regions()
        if self.policy.fit == "next":
            # the unit at which each begins is met on a walk from the rover, round the arena once
            end = len(self.units)
            if from_low:
                walk = [*range(self.rover, end), *range(self.rover)]
            else:
                here = min(self.rover, end - 1)
                walk = [*range(here, -1, -1), *range(end - 1, here, -1)]
            begins = {self.first_unit(region): region for region in free}
            return [begins[unit] for unit in walk if unit in begins]
        if self.policy.order == "recent":
            free.sort(key=lambda region: self.stamps[region])
            free.reverse()
        if not from_low:
            free.reverse()
        return free

    # taking back

    def take_back(self, block: int) -> None:
        """One block."""
        if self.hand == block:
            self.hand = None
        start, length = self.first_unit(block), self.length(block)
        del self.names[block]
        # a free region of its own, and the newest
        region = self._region("")
        self.units[start : start + length] = [region] * length
        merge = self.policy.merge
        if merge in ("both", "next") and start + length < len(self.units):
            self._swallow(region, self.units[start + length])
        if merge in ("both", "previous") and start > 0:
            self._swallow(region, self.units[start - 1])

    def _swallow(self, region: int, other: int) -> None:
        """A free region takes in another, where that is free; the rover comes to its start."""
        if other in self.names:
            return
        self.units = [region if unit == other else unit for unit in self.units]
        start = self.first_unit(region)
        if start <= self.rover < start + self.length(region):
            self.rover = start

    def _join_everything(self) -> None:
        for left, right in zip(self.regions(), self.regions()[1:], strict=False):
            if left in self.names or right in self.names:
                continue
            # what has been joined so far goes by the number of its last part
            before = self.units[self.first_unit(right) - 1]
            newest = max(self.stamps[before], self.stamps[right])
            self._swallow(right, before)
            self.stamps[right] = newest
