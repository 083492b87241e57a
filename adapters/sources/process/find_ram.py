"""Finding a guest's RAM in other memory, by the schema's recognise bytes.

A host may keep the guest's words swapped, so the bytes are looked for in each byte order.  Byte p
of the guest stands at p ^ 0, 1, 3 or 2 of the host's copy (big, swap16, swap32, halfswap), since
each order only moves bytes within aligned words.

A hit is not yet guest RAM: hosts hold copies of the program's image, saved states, old buffers.  Of
several copies the one whose frame counter moves is the guest's.

Nothing here asks the system: what reads is passed in.  Reads come in pieces, so that a search can
be given up between two of them.
"""

from __future__ import annotations

import itertools
import time
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

from adapters.sources.process.mapping import Mapping as MappedRange
from bridge.memory.address_map import MemoryMap, Region
from bridge.memory.byte_order import ByteOrder, reorder
from bridge.memory.counter import Counter
from bridge.prepared import PreparedBuild

__all__ = [
    "CHUNK",
    "FEWEST_BYTES",
    "MAX_COPIES",
    "MAX_HITS",
    "Area",
    "Copy",
    "Read",
    "Runs",
    "SearchAborted",
    "Signature",
    "areas",
    "copies",
    "counter_of",
    "frames",
    "moving",
    "signatures",
]

FEWEST_BYTES = 8
"""Fewer recognise bytes than this are met by chance: four were hit twice in one process."""
CHUNK = 1 << 20
MAX_HITS = 4096
"""Hits of a signature's first part that are looked at in one area."""
MAX_COPIES = 1 << 16
"""So many that each of them can be watched: which one lives must be known before any is left out.
A mebibyte of RAM so often would be 64 GiB."""

_LEAST_WHOLE = 8
"""At most one part in this of a guest's RAM may be guarded against reads."""
_MASKS = {ByteOrder.BIG: 0, ByteOrder.SWAP16: 1, ByteOrder.SWAP32: 3, ByteOrder.HALFSWAP: 2}
_SYSTEM = ("[vvar]", "[vdso]", "[vsyscall]")
_ALIGNMENTS = {ByteOrder.BIG: 1, ByteOrder.SWAP16: 2, ByteOrder.SWAP32: 4, ByteOrder.HALFSWAP: 2}

Read = Callable[[Sequence[tuple[int, int]]], list[bytes | None]]
"""Host (address, length) pairs to their bytes, None for what cannot be read."""
Runs = Callable[[int, int], Iterable[tuple[int, int]]]
"""Between two host addresses, the (address, length) of what holds something, ascending."""


class SearchAborted(Exception):
    """The search was given up."""


@dataclass(frozen=True, slots=True)
class Signature:
    """What marks one build's RAM as the host holds it in one byte order.

    ``parts`` are runs of known bytes, by their offset from the host address of the RAM; the first
    of them, the longest, is what is searched for.
    """

    build: str
    order: ByteOrder
    parts: tuple[tuple[int, bytes], ...]

    @property
    def known(self) -> int:
        """How many bytes are known."""
        return sum(len(data) for _, data in self.parts)


@dataclass(frozen=True, slots=True)
class Area:
    """Readable mappings without a gap between them, which hold one thing as far as one can tell.

    RAM that shows in them may begin before and end behind them, in ``room``: the mappings around
    them that may be parts of it.  ``holes`` are those of the room that cannot be read.  What is
    ``shared`` may be seen at other addresses too.
    """

    start: int
    end: int
    backing: str
    offset: int
    path: str
    room: tuple[int, int] | None = None
    holes: tuple[tuple[int, int], ...] = ()
    shared: bool = False

    @property
    def size(self) -> int:
        return self.end - self.start

    def holds(self, address: int, size: int) -> bool:
        """Whether *size* bytes at an address lie in it."""
        return self.start <= address and address + size <= self.end

    def has_room(self, address: int, size: int) -> bool:
        """Whether *size* bytes of RAM may begin at an address: few of them may be holes."""
        start, end = self.room or (self.start, self.end)
        if address < start or address + size > end:
            return False
        lost = sum(max(0, min(to, address + size) - max(at, address)) for at, to in self.holes)
        return lost * _LEAST_WHOLE <= size


@dataclass(frozen=True, slots=True)
class Copy:
    """What may be guest RAM: its host address, its byte order and the build that it shows."""

    address: int
    order: ByteOrder
    build: str
    area: Area

    @property
    def shown(self) -> str:
        order = "" if self.order is ByteOrder.BIG else f", {self.order}"
        path = f", in {self.area.path}" if self.area.path else ""
        return f"0x{self.address:X} ({self.build}{order}{path})"


def signatures(
    prepared_builds: Mapping[str, PreparedBuild], memory: MemoryMap, region: Region
) -> list[Signature]:
    """Each build in each byte order; a build without recognise bytes in *region* has none."""
    found: list[Signature] = []
    start = memory.flat_starts[region.name]
    whole = region.size & ~3
    for name, prepared in prepared_builds.items():
        known: dict[int, int] = {}
        for mark in prepared.layout.evidence:
            flat = memory.flat(mark.address, len(mark.data))
            if flat is None or memory.region_at(mark.address) != region:
                continue
            known.update(enumerate(mark.data, flat - start))
        if not known:
            continue
        for order, mask in _MASKS.items():
            host = {(at ^ mask if at < whole else at): byte for at, byte in known.items()}
            found.append(Signature(name, order, _runs_of(host)))
    return found


def _runs_of(known: Mapping[int, int]) -> tuple[tuple[int, bytes], ...]:
    """Known bytes by offset as unbroken runs, the longest first."""
    runs: list[tuple[int, bytearray]] = []
    for at in sorted(known):
        if not runs or runs[-1][0] + len(runs[-1][1]) != at:
            runs.append((at, bytearray()))
        runs[-1][1].append(known[at])
    runs.sort(key=lambda run: -len(run[1]))
    return tuple((at, bytes(data)) for at, data in runs)


def areas(mappings: Sequence[MappedRange], size: int) -> list[list[Area]]:
    """Where *size* bytes of RAM may lie: RAM-sized areas first, then the other ones.

    An emulator may guard parts of the RAM against writes, which splits its mapping; so neighbours
    with the same thing behind them count as one, and one writable part is enough.  It may also
    guard pages against reads, or keep the RAM's parts in mappings of several kinds side by side:
    so an area that is smaller than the RAM is looked through where there is room around it.
    """
    fitting: list[Area] = []
    small: list[Area] = []
    for neighbours in _neighbours(mappings):
        room = neighbours[0].start, neighbours[-1].end
        if room[1] - room[0] < size or not any(each.writable for each in neighbours):
            continue
        holes = tuple((each.start, each.end) for each in neighbours if not each.readable)
        for area, writable in _joined(neighbours):
            placed = replace(area, room=room, holes=holes)
            if area.size < size:
                small.append(placed)
            elif writable:
                fitting.append(placed)
    fitting.sort(key=lambda area: area.size)
    near = [area for area in fitting if area.size < 2 * size]
    return [near, fitting[len(near) :] + small]


def _neighbours(
    mappings: Sequence[MappedRange],
) -> Iterator[list[MappedRange]]:
    """Mappings without a gap between them that may be parts of one RAM, the unreadable too."""
    together: list[MappedRange] = []
    for each in mappings:
        if each.path in _SYSTEM:
            continue
        if together and not _go_together(together[-1], each):
            yield together
            together = []
        together.append(each)
    if together:
        yield together


def _go_together(last: MappedRange, each: MappedRange) -> bool:
    """Whether a mapping may be a part of what ends with the one before it."""
    if last.end != each.start:
        return False
    if each.backing and each.backing == last.backing:
        # else it is the same file once more
        return last.offset + last.size == each.offset
    # where a program or a library begins, something else begins
    return not (_is_program(last) or _is_program(each))


def _is_program(each: MappedRange) -> bool:
    return bool(each.backing) and each.readable and not (each.writable or each.shared)


def _joined(neighbours: Sequence[MappedRange]) -> list[tuple[Area, bool]]:
    """The areas of one thing each, and whether any part of them is writable."""
    joined: list[tuple[Area, bool]] = []
    for each in neighbours:
        if not each.readable:
            continue
        last = joined[-1][0] if joined else None
        if (
            last is not None
            and last.end == each.start
            and last.backing == each.backing
            and (not each.backing or last.offset + last.size == each.offset)
        ):
            area = replace(last, end=each.end, path=last.path or each.path)
            joined[-1] = (area, joined[-1][1] or each.writable)
            continue
        offset = each.offset if each.backing else 0
        area = Area(*(each.start, each.end, each.backing, offset, each.path), shared=each.shared)
        joined.append((area, each.writable))
    return joined


def copies(
    where: Sequence[Area],
    wanted: Sequence[Signature],
    size: int,
    read: Read,
    runs: Runs,
    aborted: Callable[[], bool] = lambda: False,
) -> list[Copy]:
    """Every place where a whole signature stands with *size* bytes around it.

    RAM that goes beyond its area counts only where there is none that does not: a copy of the
    recognise bytes in the RAM itself shows such a one, where other memory follows.  Raises
    SearchAborted once *aborted* says so.
    """
    found: dict[tuple[int, ByteOrder], Copy] = {}
    for area in where:
        hits = _hits(area, wanted, size, read, runs, aborted)
        for address, signature in itertools.islice(hits, MAX_HITS):
            if len(found) >= MAX_COPIES:
                return _whole_first(found.values(), size)
            ranges = [(address + at, len(data)) for at, data in signature.parts]
            if read(ranges) == [data for _, data in signature.parts]:
                copy = Copy(address, signature.order, signature.build, area)
                found.setdefault((address, signature.order), copy)
    return _whole_first(found.values(), size)


def _whole_first(found: Iterable[Copy], size: int) -> list[Copy]:
    """Without those that go beyond their area, unless all do."""
    distinct = _distinct(found)
    whole = [copy for copy in distinct if copy.area.holds(copy.address, size)]
    return whole or distinct


def _hits(
    area: Area,
    wanted: Sequence[Signature],
    size: int,
    read: Read,
    runs: Runs,
    aborted: Callable[[], bool],
) -> Iterator[tuple[int, Signature]]:
    """Each address at which the RAM would begin by a signature's first part."""
    overlap = max(len(signature.parts[0][1]) for signature in wanted) - 1
    for start, data in _pieces(area, overlap, read, runs, aborted):
        for signature in wanted:
            offset, needle = signature.parts[0]
            at = data.find(needle)
            while at >= 0:
                address = start + at - offset
                # a piece begins with the end of the one before: what lies in both is met twice
                aligned = address % _ALIGNMENTS[signature.order] == 0
                if aligned and area.has_room(address, size):
                    yield address, signature
                at = data.find(needle, at + 1)


def _pieces(
    area: Area, overlap: int, read: Read, runs: Runs, aborted: Callable[[], bool]
) -> Iterator[tuple[int, bytes]]:
    """(address, bytes) of what the area holds; each piece begins with the last one's end."""
    rest, rest_end = b"", -1
    for run_start, length in runs(area.start, area.end):
        for start in range(run_start, run_start + length, CHUNK):
            if aborted():
                raise SearchAborted
            for at, data in _read_piece(start, min(CHUNK, run_start + length - start), read):
                joined = rest + data if at == rest_end else data
                rest_end = at + len(data)
                yield rest_end - len(joined), joined
                rest = joined[-overlap:] if overlap else b""


def _read_piece(start: int, length: int, read: Read) -> list[tuple[int, bytes]]:
    """(address, bytes) of what can be read: of it all, else of each 4 KiB."""
    (data,) = read([(start, length)])
    if data is not None:
        return [(start, data)]
    small = [(at, min(0x1000, start + length - at)) for at in range(start, start + length, 0x1000)]
    parts = zip(small, read(small), strict=True)
    return [(at, part) for (at, _), part in parts if part is not None]


def _distinct(found: Iterable[Copy]) -> list[Copy]:
    """Without the copies that are the same bytes of one file, mapped elsewhere again."""
    seen: dict[tuple[str, int, ByteOrder], Copy] = {}
    for copy in found:
        area = copy.area
        at = area.offset + copy.address - area.start if area.backing else copy.address
        seen.setdefault((area.backing, at, copy.order), copy)
    return list(seen.values())


def moving(
    found: Sequence[Copy],
    prepared_builds: Mapping[str, PreparedBuild],
    memory: MemoryMap,
    region: Region,
    read: Read,
    aborted: Callable[[], bool] = lambda: False,
    *,
    longest: float = 1.5,
    settle: float = 0.3,
    pause: Callable[[float], None] = time.sleep,
) -> list[Copy]:
    """Those copies whose frame counter counts up, watched for at most *longest* seconds.

    Once one does, the others have until *settle* seconds after the start.  A build without a
    frame counter never moves.  Raises SearchAborted.
    """
    spots = [(copy, counter_of(prepared_builds[copy.build], memory, region)) for copy in found]
    watched = [(copy, spot) for copy, spot in spots if spot is not None]
    if not watched:
        return []
    ranges = [(copy.address + spot[0], 8) for copy, spot in watched]
    first: list[int | None] = []
    moved: set[int] = set()
    began = time.monotonic()
    while True:
        parts = read(ranges)
        values = [
            None if part is None else _count(part, copy, spot)
            for part, (copy, spot) in zip(parts, watched, strict=True)
        ]
        first = first or values
        for index, (before, now) in enumerate(zip(first, values, strict=True)):
            size = watched[index][1][2].size
            if before is None or now is None or before == now:
                continue
            # a counter goes on by a few; memory that is put to another use leaps
            if (now - before) % (1 << 8 * size) < 1 << min(20, 8 * size - 1):
                moved.add(index)
        spent = time.monotonic() - began
        if spent >= longest or (moved and spent >= settle):
            return [watched[index][0] for index in sorted(moved)]
        if aborted():
            raise SearchAborted
        pause(0.02)


def frames(
    copy: Copy, prepared: PreparedBuild, memory: MemoryMap, region: Region, read: Read
) -> int | None:
    """What a copy's frame counter says; None where its build has none or it cannot be read."""
    spot = counter_of(prepared, memory, region)
    if spot is None:
        return None
    (data,) = read([(copy.address + spot[0], 8)])
    return None if data is None else _count(data, copy, spot)


def counter_of(
    prepared: PreparedBuild, memory: MemoryMap, region: Region
) -> tuple[int, int, Counter] | None:
    """The offset of the 8 aligned bytes around a plan's counter, where it lies in them, itself."""
    counter = prepared.guard[1] if prepared.guard else prepared.frame
    if counter is None or memory.region_at(counter.address) != region:
        return None
    flat = memory.flat(counter.address, counter.size)
    if flat is None:
        return None
    offset = flat - memory.flat_starts[region.name]
    first = offset & ~7
    if offset - first + counter.size > 8:
        return None
    return first, offset - first, counter


def _count(data: bytes, copy: Copy, spot: tuple[int, int, Counter]) -> int:
    _, at, counter = spot
    word = reorder(data, copy.order)[at : at + counter.size]
    return counter.value(word)
