"""Finding guest RAM among a host's memory, on memory made by hand."""

from __future__ import annotations

import random
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path

import pytest

from adapters.sources.process import find_ram
from adapters.sources.process.find_ram import Area, Copy, SearchAborted, Signature
from adapters.sources.process.mapping import Mapping
from bridge.memory.address_map import MemoryMap
from bridge.memory.byte_order import ByteOrder, reorder
from bridge.prepared import PreparedBuild, memory_map, prepare
from schemas.loader import load_bridge

SIZE = 0x4000
SCHEMA = """
[game]
name = "Tidewright"
[memory]
endian = "big"
regions = [
    { name = "ram", start = 0x8000_0000, size = 0x4000, mirrors = [0xA000_0000] },
    { name = "pad", start = 0x9000_0000, size = 0x100 },
]
[symbols]
frame_began = "u32"
frame_ended = "u32"
[builds.first-print]
recognise = [ RECOGNISE ]
at = { frame_began = 0x8000_2000, frame_ended = 0x8000_2010 }
[builds.export]
recognise = [ { at = 0xA000_0400, text = "TIDE 2.0" } ]
at = { frame_began = 0x8000_2100, frame_ended = 0x8000_2110 }
"""
BRIDGE = """
schema = "t.schema.toml"
[source]
kind = "process"
SAMPLING
[[watches]]
name = "frame"
expr = "frame_began"
"""
GUARD = '[sampling]\nguard = { began = "frame_began", ended = "frame_ended" }'
WHOLE_WORD = '{ at = 0x8000_0400, text = "TIDE 1.0" }'


def loaded(
    directory: Path, recognise: str = WHOLE_WORD, sampling: str = GUARD
) -> tuple[dict[str, PreparedBuild], MemoryMap]:
    (directory / "t.schema.toml").write_text(SCHEMA.replace("RECOGNISE", recognise), "utf-8")
    path = directory / "t.bridge.toml"
    path.write_text(BRIDGE.replace("SAMPLING", sampling), "utf-8")
    bridge = load_bridge(path)
    return prepare(bridge), memory_map(bridge.schema)


class Host:
    """A host's memory: bytes at addresses; reads are counted."""

    def __init__(self) -> None:
        self.pieces: dict[int, bytearray] = {}
        self.reads = 0

    def put(self, address: int, data: bytes | bytearray) -> Area:
        self.pieces[address] = bytearray(data)
        return Area(address, address + len(data), "", 0, "")

    def read(self, ranges: Sequence[tuple[int, int]]) -> list[bytes | None]:
        self.reads += 1
        return [self._one(address, length) for address, length in ranges]

    def _one(self, address: int, length: int) -> bytes | None:
        for start, data in self.pieces.items():
            if start <= address and address + length <= start + len(data):
                return bytes(data[address - start : address - start + length])
        return None

    def runs(self, low: int, high: int) -> Iterator[tuple[int, int]]:
        for start, data in sorted(self.pieces.items()):
            if low <= start < high:
                yield start, len(data)


def image(version: bytes = b"TIDE 1.0", frame: int = 100, seed: int = 1) -> bytearray:
    data = bytearray(random.Random(seed).randbytes(SIZE))
    data[0x400:0x408] = version
    data[0x2000:0x2004] = data[0x2010:0x2014] = frame.to_bytes(4, "big")
    return data


def find(
    host: Host, where: Sequence[Area], ready: dict[str, PreparedBuild], memory: MemoryMap
) -> list[Copy]:
    wanted = find_ram.signatures(ready, memory, memory.regions[0])
    return find_ram.copies(where, wanted, SIZE, host.read, host.runs)


@pytest.mark.parametrize("order", list(ByteOrder))
@pytest.mark.parametrize("version", [b"TIDE 1.0", b"TIDE 2.0"])
def test_every_order_and_build(tmp_path: Path, order: ByteOrder, version: bytes) -> None:
    ready, memory = loaded(tmp_path)
    host = Host()
    area = host.put(0x10_0000, bytes(0x120) + reorder(bytes(image(version)), order) + bytes(64))
    (copy,) = find(host, [area], ready, memory)
    assert (copy.address, copy.order) == (0x10_0120, order)
    assert copy.build == ("first-print" if version == b"TIDE 1.0" else "export")


# each list of marks, in a place that begins at no whole word, and in parts with a gap
UNEVEN = [
    '{ at = 0x8000_0401, text = "IDE 1.0" }, { at = 0x8000_0410, bytes = "01 02 03" }',
    '{ at = 0x8000_0403, bytes = "45 20 31 2E 30" }, { at = 0x8000_0411, u32 = 0x0203_0405 }',
    '{ at = 0x8000_0400, text = "TI" }, { at = 0x8000_0402, text = "DE 1.0" }',
]


@pytest.mark.parametrize("order", list(ByteOrder))
@pytest.mark.parametrize("recognise", UNEVEN)
def test_marks_that_fill_no_word(tmp_path: Path, order: ByteOrder, recognise: str) -> None:
    ready, memory = loaded(tmp_path, recognise)
    data = image()
    data[0x410:0x415] = bytes([1, 2, 3, 4, 5])
    wanted = find_ram.signatures(ready, memory, memory.regions[0])
    host = Host()
    if "u32" in recognise:
        data[0x411:0x415] = bytes([2, 3, 4, 5])
    swapped = reorder(bytes(data), order)
    # the order's own reordering is the check: every known byte stands where the signature says
    (mine,) = (s for s in wanted if s.build == "first-print" and s.order is order)
    assert all(swapped[at : at + len(part)] == part for at, part in mine.parts)
    area = host.put(0x7000, swapped)
    assert [copy.address for copy in find(host, [area], ready, memory)] == [0x7000]


def test_how_many_bytes_are_known(tmp_path: Path) -> None:
    ready, memory = loaded(tmp_path, '{ at = 0x8000_0400, bytes = "54 49" }')
    wanted = find_ram.signatures(ready, memory, memory.regions[0])
    assert {(s.build, s.known) for s in wanted} == {("first-print", 2), ("export", 8)}
    assert find_ram.signatures(ready, memory, memory.regions[1]) == []


def test_a_hit_needs_all_of_the_marks_and_room_for_the_ram(tmp_path: Path) -> None:
    two = WHOLE_WORD + ', { at = 0x8000_3000, text = "lamp" }'
    ready, memory = loaded(tmp_path, two)
    host = Host()
    without = host.put(0x10_0000, image())
    short = host.put(0x20_0000, image()[:-1])
    cut_off = host.put(0x30_0000, image()[0x10:])
    whole = image()
    whole[0x3000:0x3004] = b"lamp"
    right = host.put(0x40_0000, whole)
    found = find(host, [without, short, cut_off, right], ready, memory)
    assert [copy.address for copy in found] == [0x40_0000]


def test_marks_across_the_pieces_of_a_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    ready, memory = loaded(tmp_path)
    for chunk in (3, 7, 8, 9, 0x404, 0x1000):
        monkeypatch.setattr(find_ram, "CHUNK", chunk)
        host = Host()
        area = host.put(0x10_0000, image()[:0x800] + bytes(SIZE - 0x800))
        assert [copy.address for copy in find(host, [area], ready, memory)] == [0x10_0000], chunk


def test_what_cannot_be_read_is_passed_over(tmp_path: Path) -> None:
    ready, memory = loaded(tmp_path)
    host = Host()
    data = bytes(image())
    host.put(0x10_0000, data[:0x1000])
    host.put(0x10_2000, data[0x2000:])
    area = Area(0x10_0000, 0x10_4000, "", 0, "")
    wanted = find_ram.signatures(ready, memory, memory.regions[0])

    def all_of_it(low: int, high: int) -> Iterable[tuple[int, int]]:
        return [(low, high - low)]

    found = find_ram.copies([area], wanted, SIZE, host.read, all_of_it)
    assert [copy.address for copy in found] == [0x10_0000]


def test_a_file_that_is_mapped_twice_is_one_copy(tmp_path: Path) -> None:
    ready, memory = loaded(tmp_path)
    host = Host()
    areas = []
    for at, backing, offset in [
        (0x10_0000, "00:01 9", 0x40),
        (0x20_0000, "00:01 9", 0x40),
        (0x30_0000, "00:01 8", 0x40),
        (0x40_0000, "", 0),
    ]:
        host.put(at, image())
        areas.append(Area(at, at + SIZE, backing, offset, ""))
    found = find(host, areas, ready, memory)
    assert [copy.address for copy in found] == [0x10_0000, 0x30_0000, 0x40_0000]


def test_the_number_of_copies_is_bounded(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(find_ram, "MAX_COPIES", 64)
    ready, memory = loaded(tmp_path)
    host = Host()
    areas = [host.put(0x10_0000 * n, image()) for n in range(1, 73)]
    assert len(find(host, areas, ready, memory)) == 64


def test_the_one_that_lives_is_found_behind_any_number_of_decoys(tmp_path: Path) -> None:
    ready, memory = loaded(tmp_path)
    host = Host()
    areas = [host.put(0x10_0000 * n, image()) for n in range(1, 202)]
    found = find(host, areas, ready, memory)
    assert len(found) == 201

    def count_on(_: float) -> None:
        host.pieces[areas[-1].start][0x2010:0x2014] = (101).to_bytes(4, "big")

    live = find_ram.moving(
        found, ready, memory, memory.regions[0], host.read, pause=count_on, settle=0.0
    )
    assert [copy.address for copy in live] == [areas[-1].start]


def test_an_area_full_of_hits_hides_no_other(tmp_path: Path) -> None:
    ready, memory = loaded(tmp_path)
    host = Host()
    decoy = host.put(0x10_0000, b"TIDE 1.0" * (find_ram.MAX_HITS + SIZE // 8 + 200))
    area = host.put(0x900_0000, image())
    assert find(host, [decoy, area], ready, memory)[-1].address == area.start


def test_the_number_of_hits_is_bounded(tmp_path: Path) -> None:
    ready, memory = loaded(tmp_path, '{ at = 0x8000_0400, bytes = "00" }')
    host = Host()
    area = host.put(0x10_0000, b"\1" * 0x400 + bytes(0x20000))
    host.pieces[0x10_0000] += b"\1"
    find(host, [area], ready, memory)
    assert host.reads < find_ram.MAX_HITS + 100


def test_a_search_can_be_given_up(tmp_path: Path) -> None:
    ready, memory = loaded(tmp_path)
    host = Host()
    area = host.put(0x10_0000, bytes(4 * find_ram.CHUNK))
    wanted = find_ram.signatures(ready, memory, memory.regions[0])
    with pytest.raises(SearchAborted):
        find_ram.copies([area], wanted, SIZE, host.read, host.runs, lambda: host.reads == 2)
    assert host.reads == 2


def mapping(
    start: int, size: int, rights: str = "rw", backing: str = "", offset: int = 0
) -> Mapping:
    return Mapping(
        start, start + size, "r" in rights, "w" in rights, False, offset, backing, backing
    )


def spans(areas: Sequence[Area]) -> list[tuple[int, int]]:
    return [(area.start, area.end) for area in areas]


def test_ram_sized_areas_come_first() -> None:
    near, larger = find_ram.areas(
        [
            mapping(0x1000_0000, 0x100_0000),
            mapping(0x2000_0000, SIZE - 0x1000),
            mapping(0x3000_0000, SIZE + 0x1000),
            mapping(0x4000_0000, SIZE),
            mapping(0x5000_0000, SIZE, "r"),
            mapping(0x6000_0000, SIZE, ""),
            mapping(0x7000_0000, 4 * SIZE),
        ],
        SIZE,
    )
    assert [area.start for area in near] == [0x4000_0000, 0x3000_0000]
    assert [area.start for area in larger] == [0x7000_0000, 0x1000_0000]


def test_ram_of_which_a_part_is_guarded_against_writes_is_one_area() -> None:
    near, larger = find_ram.areas(
        [
            mapping(0x1000, 0x1000, "r"),
            mapping(0x2000, 0x1000),
            mapping(0x3000, 0x2000, "r"),
            mapping(0x1_0000, 0x2000, "rw", "00:01 9", 0x5000),
            mapping(0x1_2000, 0x2000, "r", "00:01 9", 0x7000),
            mapping(0x2_0000, 0x2000, "rw", "00:01 9", 0x5000),
            mapping(0x2_2000, 0x2000, "rw", "00:01 9", 0x5000),
        ],
        SIZE,
    )
    assert spans(near) == [(0x1000, 0x5000), (0x1_0000, 0x1_4000)]
    assert larger == []


def test_parts_of_ram_side_by_side_have_room_around_them() -> None:
    near, larger = find_ram.areas(
        [
            mapping(0x1000, 0x1000),
            mapping(0x2000, 0x1000, ""),
            mapping(0x3000, 0x2000),
            mapping(0x1_0000, 0x2000, "rw", "00:01 9", 0x5000),
            mapping(0x1_2000, 0x2000, "r"),
            mapping(0x2_0000, 0x2000, "rw"),
            mapping(0x2_2000, 0x2000, "r", "08:02 7"),  # a program's own code ends it
            mapping(0x2_4000, 0x2000, "rw"),
            mapping(0x3_0000, 0x2000, "rw"),
            mapping(0x3_3000, 0x2000, "rw"),
            mapping(0x4_0000, 0x2000, "r"),
            mapping(0x4_2000, 0x2000, "r"),
            mapping(0x5_0000, 2 * SIZE),
        ],
        SIZE,
    )
    assert near == []
    assert spans(larger) == [
        *((0x5_0000, 0x5_8000), (0x1000, 0x2000), (0x3000, 0x5000)),
        *((0x1_0000, 0x1_2000), (0x1_2000, 0x1_4000)),
    ]
    assert [area.room for area in larger[1:]] == [(0x1000, 0x5000)] * 2 + [(0x1_0000, 0x1_4000)] * 2
    assert [area.holes for area in larger[1:]] == [((0x2000, 0x3000),)] * 2 + [()] * 2


def test_only_a_small_part_of_the_ram_may_be_a_hole() -> None:
    page = 0x1000
    alone = Area(0, 8 * page, "", 0, "")
    assert alone.has_room(0, 8 * page)
    assert not alone.has_room(1, 8 * page)
    one = Area(0, 4 * page, "", 0, "", (0, 0x20 * page), ((4 * page, 5 * page),))
    assert one.has_room(0, 8 * page)
    assert not one.has_room(0, 7 * page)
    assert one.has_room(5 * page, 7 * page)
    assert not one.has_room(0x19 * page, 8 * page)


class Game:
    """Copies of the RAM of which some count frames: one more each time that they are watched."""

    def __init__(self, directory: Path, steps: Sequence[int], sampling: str = GUARD) -> None:
        self.ready, self.memory = loaded(directory, sampling=sampling)
        self.host = Host()
        self.steps = steps
        self.frame = [(1 << 32) - 2] * len(steps)
        self.found = [
            Copy(
                0x10_0000 * (n + 1),
                ByteOrder.SWAP32,
                "first-print",
                self.host.put(0x10_0000 * (n + 1), reorder(bytes(image()), ByteOrder.SWAP32)),
            )
            for n in range(len(steps))
        ]
        self.waited = 0.0
        self.go_on(0)

    def go_on(self, seconds: float) -> None:
        self.waited += seconds
        for n, step in enumerate(self.steps):
            if seconds:
                self.frame[n] = (self.frame[n] + step) & 0xFFFF_FFFF
            # little-endian bytes of the count are the reversed word of a big-endian one
            self.host.pieces[0x10_0000 * (n + 1)][0x2010:0x2014] = self.frame[n].to_bytes(
                4, "little"
            )

    def moving(self) -> list[int]:
        live = find_ram.moving(
            self.found,
            self.ready,
            self.memory,
            self.memory.regions[0],
            self.host.read,
            longest=0.05,
            settle=0.01,
            pause=self.go_on,
        )
        return [self.found.index(copy) for copy in live]


@pytest.mark.parametrize(
    ("steps", "live"),
    [
        ([0, 1, 0], [1]),
        ([0, 0], []),
        ([1, 0, 3], [0, 2]),
    ],
)
def test_the_copy_whose_counter_moves(tmp_path: Path, steps: list[int], live: list[int]) -> None:
    assert Game(tmp_path, steps).moving() == live


def test_a_counter_that_leaps_is_none(tmp_path: Path) -> None:
    game = Game(tmp_path, [0, 0])

    def leap(seconds: float) -> None:
        game.host.pieces[0x10_0000][0x2010:0x2014] = b"\0\0\0\x40"

    live = find_ram.moving(
        game.found,
        game.ready,
        game.memory,
        game.memory.regions[0],
        game.host.read,
        longest=0.05,
        pause=leap,
    )
    assert live == []


def test_without_a_frame_counter_none_moves(tmp_path: Path) -> None:
    game = Game(tmp_path, [1], sampling="")
    assert game.moving() == []
    assert game.waited == 0


def test_watching_can_be_given_up(tmp_path: Path) -> None:
    game = Game(tmp_path, [0])
    with pytest.raises(SearchAborted):
        find_ram.moving(
            game.found,
            game.ready,
            game.memory,
            game.memory.regions[0],
            game.host.read,
            lambda: True,
        )


def test_a_copy_is_shown_with_its_address() -> None:
    area = Area(0, 0, "00:01 9", 0, "/memfd:ram")
    copy = Copy(0x7F00_1000, ByteOrder.SWAP32, "export", area)
    assert copy.shown == "0x7F001000 (export, swap32, in /memfd:ram)"
    assert Signature("export", ByteOrder.BIG, ((4, b"ab"), (9, b"c"))).known == 3
