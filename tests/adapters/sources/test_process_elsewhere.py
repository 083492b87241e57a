"""The process source on an operating system that is made up: all it asks of one is ``System``.

So this runs everywhere, and tells what another system has to bring.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

import pytest

from adapters.sources.process.mapping import Mapping, ProcessStat
from adapters.sources.process.source import LOOK_EVERY, ProcessMemory
from adapters.sources.process.system import Reader, System
from bridge.memory.address_map import MemoryMap, Span
from bridge.memory.byte_order import ByteOrder, reorder
from bridge.ports.guest_reader import GuestReader
from bridge.prepared import PreparedBuild, memory_map, prepare
from schemas.errors import SourceError, SourceLost, SourceUnusable
from schemas.loader import load_bridge
from schemas.source_settings import ProcessSource

SIZE = 0x2000
BASE = 0x8000_0000
SCHEMA = """
[game]
name = "Pier"
[memory]
endian = "big"
regions = [ { name = "ram", start = 0x8000_0000, size = 0x2000 } ]
[symbols]
tick = "u32"
[builds.print]
recognise = [ { at = 0x8000_0400, text = "TIDEWRIGHT 1.0" } ]
at = { tick = 0x8000_0010 }
"""
BRIDGE = """
schema = "g.schema.toml"
[source]
kind = "process"
[[watches]]
name = "ticks"
expr = "tick"
"""
RAM_AT = 0x7_0000_1000


class Harbour(System):
    """One emulator, whose number no real process has, with guest RAM at ``RAM_AT``.

    It keeps the RAM in words of 32 bits of a little-endian host.
    """

    def __init__(self) -> None:
        self.guest = bytearray(range(256)) * (SIZE // 256)
        self.guest[0x400:0x40E] = b"TIDEWRIGHT 1.0"
        self.runs = True
        self.refuses = ""
        self.start = 5

    def processes(self) -> Iterator[int]:
        yield from (5000070, 5000071)

    def stat(self, pid: int) -> ProcessStat | None:
        if pid == 5000070 and self.runs:
            return ProcessStat("tideemu", "S", 1, self.start)
        return ProcessStat("shell", "S", 1, 2) if pid == 5000071 else None

    def is_ours(self, pid: int) -> bool:
        return True

    def program(self, pid: int) -> str:
        return "C:\\Harbour\\tideemu.exe" if pid == 5000070 else ""

    def age(self, stat: ProcessStat) -> float:
        return 1000.0

    def mappings(self, pid: int) -> list[Mapping]:
        return [
            Mapping(0x1000, 0x2000, True, False, False, 0, "harbour 1", "C:\\Harbour\\tideemu.exe"),
            Mapping(RAM_AT, RAM_AT + SIZE, True, True, False, 0, "", ""),
        ]

    def present(self, pid: int, low: int, high: int) -> Iterator[tuple[int, int]]:
        yield low, high - low

    def reader(self, pid: int) -> Reader:
        return Bytes(self, pid)

    def life_line(self, pid: int) -> NoLifeLine:
        return NoLifeLine()

    def why_refused(self, pid: int) -> str:
        return "the harbour master forbids it"


class Bytes:
    """The emulator's memory, word by word as its host holds it."""

    def __init__(self, system: Harbour, pid: int) -> None:
        self.pid = pid
        self._system = system

    def read(self, ranges: Sequence[tuple[int, int]]) -> list[bytes | None]:
        system = self._system
        if not system.runs:
            raise ProcessLookupError(3, "no such process")
        if system.refuses:
            raise PermissionError(1, system.refuses)
        memory = reorder(bytes(system.guest), ByteOrder.SWAP32)
        return [
            memory[at - RAM_AT : at - RAM_AT + length]
            if at >= RAM_AT and at + length <= RAM_AT + SIZE
            else bytes(length)
            if at + length <= 0x2000
            else None
            for at, length in ranges
        ]

    def read_into(self, address: int, into: memoryview) -> bool:
        (data,) = self.read([(address, len(into))])
        into[:] = data or bytes(len(into))
        return data is not None

    def close(self) -> None:
        pass


class NoLifeLine:
    """A system that cannot tell of an end at once."""

    holds = False

    def close(self) -> None:
        pass


class Rig:
    def __init__(self, folder: Path) -> None:
        (folder / "g.schema.toml").write_text(SCHEMA, "utf-8")
        (folder / "g.bridge.toml").write_text(BRIDGE, "utf-8")
        bridge = load_bridge(folder / "g.bridge.toml")
        self.builds: dict[str, PreparedBuild] = prepare(bridge)
        self.memory: MemoryMap = memory_map(bridge.schema)
        self.system = Harbour()
        self.now = 0.0

    def source(self, **settings: object) -> ProcessMemory:
        made = ProcessSource.model_validate({"kind": "process", **settings})
        return ProcessMemory(made, self.builds, clock=lambda: self.now, system=self.system)


@pytest.fixture
def rig(tmp_path: Path) -> Rig:
    return Rig(tmp_path)


@pytest.mark.parametrize(
    "settings", [{"pid": 5000070}, {"name": "tideemu"}, {"name": "tideemu.exe"}]
)
async def test_ram_is_found_and_read(rig: Rig, settings: dict[str, object]) -> None:
    source = rig.source(**settings)
    opened = await source.open(rig.memory)
    assert (source.address, source.declared_order) == (RAM_AT, ByteOrder.SWAP32)
    assert opened.memory.regions == rig.memory.regions
    reader = GuestReader(source, opened, ByteOrder.SWAP32)
    assert await reader.fetch([Span(BASE + 0x400, 0x100)]) == [bytes(rig.system.guest[0x400:0x500])]
    await source.close()


async def test_an_address_needs_no_search(rig: Rig) -> None:
    source = rig.source(pid=5000070, address=RAM_AT + 0x1000)
    opened = await source.open(rig.memory)
    assert (opened.memory.regions[0].size, source.declared_order) == (0x1000, None)
    await source.close()


def ended(rig: Rig) -> None:
    rig.system.runs = False


def replaced(rig: Rig) -> None:
    rig.system.start += 1


def refused(rig: Rig) -> None:
    rig.system.refuses = "no"


def moved(rig: Rig) -> None:
    rig.system.guest[0x400:0x40E] = bytes(14)


@pytest.mark.parametrize(
    ("change", "kind", "detail"),
    [
        (ended, SourceLost, "process 5000070 has ended"),
        (
            replaced,
            SourceLost,
            "process 5000070 has ended; its number is another program's now (tideemu)",
        ),
        (
            refused,
            SourceUnusable,
            "process 5000070 (tideemu) may not be read: the harbour master forbids it",
        ),
        (
            moved,
            SourceLost,
            f"ram is no longer at 0x{RAM_AT:X} in process 5000070: it is searched for again",
        ),
    ],
)
async def test_what_becomes_of_it_is_told(
    rig: Rig, change: Callable[[Rig], None], kind: type[SourceError], detail: str
) -> None:
    source = rig.source(pid=5000070)
    await source.open(rig.memory)
    change(rig)
    rig.now += LOOK_EVERY
    with pytest.raises(kind) as caught:
        await source.fetch([Span(BASE, 0x100)])
    assert (type(caught.value), caught.value.detail) == (kind, detail)
    await source.close()


async def test_the_one_that_is_meant_is_asked_for(rig: Rig) -> None:
    with pytest.raises(SourceLost) as caught:
        await rig.source(name="gullemu").open(rig.memory)
    assert caught.value.detail == "no process is named gullemu: is the emulator running?"
    with pytest.raises(SourceUnusable) as unusable:
        await rig.source().open(rig.memory)
    assert unusable.value.detail.startswith("which process? set name or pid in [source]")
