"""A Windows that is made up: processes, their pages, and named mappings, behind ``Kernel32``."""

from __future__ import annotations

from dataclasses import dataclass, field

from adapters.sources.windows.structures import MemoryRegion, ProcessEntry

COMMIT, RESERVE, FREE = 0x1000, 0x2000, 0x10000
NOACCESS, READ_ONLY, READ_WRITE, EXECUTE, GUARD = 0x01, 0x02, 0x04, 0x10, 0x100
PRIVATE, MAPPED, IMAGE = 0x20000, 0x40000, 0x1000000
OWN = -1
"""The handle of the process that asks."""
SECOND = 10_000_000
STILL_ACTIVE = 259
"""What GetExitCodeProcess says of a process that runs, and of one that ended with it."""


@dataclass
class Pages:
    """Bytes from an address on that are alike."""

    start: int
    data: bytearray
    protect: int = READ_WRITE
    kind: int = PRIVATE
    state: int = COMMIT
    allocation: int | None = None
    file: str = ""

    @property
    def end(self) -> int:
        return self.start + len(self.data)


@dataclass
class Process:
    """A program; ``refused`` is one that another user has started."""

    name: str
    parent: int = 0
    start: int = SECOND
    pages: list[Pages] = field(default_factory=list)
    runs: bool = True
    refused: bool = False
    exit_code: int = 0
    is_32_bit: bool = False
    session: int = 1


class MadeWindows:
    """Kernel32 that says what its attributes hold, and refuses what would change the other side.

    ``reads`` are the (address, length) of each read, and ``open`` the handles not yet closed.
    """

    def __init__(self) -> None:
        self.all: dict[int, Process] = {}
        self.mappings: dict[str, bytearray] = {}
        self.refused_mappings: set[str] = set()
        self.time = 1000 * SECOND
        self.reads: list[tuple[int, int]] = []
        self.lists = 0
        self.open: dict[int, Process | bytearray] = {}
        self.views: dict[int, Pages] = {}
        self._next = 4

    def _handle(self, what: Process | bytearray) -> int:
        self._next += 4
        self.open[self._next] = what
        return self._next

    def close(self, handle: int) -> None:
        del self.open[handle]

    # processes

    def processes(self) -> list[ProcessEntry]:
        self.lists += 1
        return [ProcessEntry(pid, p.parent, p.name) for pid, p in self.all.items() if p.runs]

    def open_process(self, pid: int) -> int:
        process = self.all.get(pid)
        if process is None:
            raise ProcessLookupError(3, "no such process")
        if process.refused:
            raise PermissionError(13, "access is denied")
        return self._handle(process)

    def _process(self, handle: int) -> Process:
        process = self.open[handle]
        assert isinstance(process, Process)
        return process

    def this_process(self) -> int:
        return OWN

    def exit_code(self, process: int) -> int | None:
        if process == OWN or self._process(process).runs:
            return None
        code = self._process(process).exit_code
        return None if code == STILL_ACTIVE else code

    def start(self, process: int) -> int:
        return self._process(process).start

    def now(self) -> int:
        return self.time

    def image(self, process: int) -> str:
        return f"C:\\Harbour\\{self._process(process).name}"

    def is_32_bit(self, process: int) -> bool:
        return self._process(process).is_32_bit

    def session(self, pid: int) -> int:
        return self.all[pid].session if pid in self.all else 1

    # memory

    def _pages(self, process: int) -> list[Pages]:
        if process == OWN:
            return list(self.views.values())
        found = self._process(process)
        return found.pages if found.runs else []

    def query(self, process: int, address: int) -> MemoryRegion | None:
        pages = sorted(self._pages(process), key=lambda each: each.start)
        for each in pages:
            if each.start <= address < each.end:
                base = each.start if each.allocation is None else each.allocation
                low = address & ~0xFFF
                return MemoryRegion(low, each.end, base, each.state, each.protect, each.kind)
            if address < each.start:
                return MemoryRegion(address & ~0xFFF, each.start, 0, FREE, NOACCESS, 0)
        runs = process == OWN or self._process(process).runs
        return None if address or not runs else MemoryRegion(0, 0x1000, 0, FREE, NOACCESS, 0)

    def mapped_file(self, process: int, address: int) -> str:
        return next(e.file for e in self._pages(process) if e.start <= address < e.end)

    def read(self, process: int, address: int, length: int) -> bytes | None:
        self.reads.append((address, length))
        found = b""
        for each in sorted(self._pages(process), key=lambda each: each.start):
            at = address + len(found)
            if not each.start <= at < each.end or len(found) == length:
                continue
            assert not each.protect & GUARD, "the guard would be gone"
            assert each.state == COMMIT
            if each.protect in (NOACCESS, EXECUTE):
                return None
            found += each.data[at - each.start : address + length - each.start]
        return found if len(found) == length else None

    # files

    def open_mapping(self, name: str) -> int:
        if name in self.refused_mappings:
            raise PermissionError(13, "access is denied")
        if name == "an event":
            raise OSError(9, "the handle is invalid")
        if name not in self.mappings:
            raise FileNotFoundError(2, "the system cannot find the file specified")
        return self._handle(self.mappings[name])

    def map_view(self, mapping: int, offset: int) -> int:
        assert offset % 0x10000 == 0
        data = self.open[mapping]
        assert isinstance(data, bytearray)
        if offset >= len(data):
            raise PermissionError(13, "access is denied")
        at = 0x7000_0000 + 0x100_0000 * len(self.views)
        while at in self.views:
            at += 0x100_0000
        view = SharedPages(at, data, offset)
        self.views[at] = view
        return at

    def unmap_view(self, address: int) -> None:
        del self.views[address]


class SharedPages(Pages):
    """A view of a mapping: its bytes are those of the mapping, as they change."""

    def __init__(self, start: int, data: bytearray, offset: int) -> None:
        super().__init__(start, data, READ_ONLY, MAPPED)
        self.data = memoryview(data)[offset:]  # type: ignore[assignment]
