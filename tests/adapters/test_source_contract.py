"""What holds for every source, whatever is behind it.

A new source gets a rig here: how to make one that holds an image, and how to open it.
"""

from __future__ import annotations

import asyncio
import gzip
import lzma
import random
import sys
import zipfile
from collections.abc import AsyncIterator, Awaitable, Callable, Sequence
from contextlib import AbstractAsyncContextManager, asynccontextmanager
from dataclasses import dataclass
from functools import cache
from io import BytesIO
from pathlib import Path
from typing import Any, get_args

import pytest
import zstandard
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from adapters.recordings.header import About
from adapters.recordings.recorder import Recorder
from adapters.sources.debugger.stub import DebuggerStub
from adapters.sources.dumps.file import FileDump
from adapters.sources.dumps.folder import DumpFolder
from adapters.sources.fake import ScriptedSource
from adapters.sources.none import MissingSource
from adapters.sources.process.source import ProcessMemory
from adapters.sources.pushed import lhp
from adapters.sources.pushed.push import PushServer
from adapters.sources.pushed.serial import SerialLine
from adapters.sources.recording.player import RecordingPlayer
from adapters.sources.shared import SharedMemory
from adapters.sources.typed import TypedMemory
from bridge.asking.asking import Asking
from bridge.expressions.compiling import check
from bridge.memory.address_map import MemoryMap, Region, Span
from bridge.memory.byte_order import ByteOrder, reorder
from bridge.ports.guest_reader import GuestReader
from bridge.ports.source import Cadence, Consistency, Opened, Source
from bridge.prepared import PreparedBuild, prepare
from bridge.values.status import Status
from schemas.compiler import compile_schema
from schemas.errors import SchemaError, SourceError, SourceLost, SourceUnusable
from schemas.loader import load_bridge
from schemas.schema_file import SchemaFile
from schemas.source_settings import (
    AnySource,
    DebuggerSource,
    FileSource,
    FolderSource,
    NoSource,
    ProcessSource,
    PushSource,
    RecordingSource,
    SerialSource,
    SharedSource,
    TypedSource,
)
from schemas.toml_file import TomlText
from tests.adapters.sources.page_host import PageHost
from tests.adapters.sources.pty_pair import PtyPair
from tests.adapters.sources.scripted_stub import ScriptedStub

BASE = 0x8000_0000
SIZE = 0x2000
MEMORY = MemoryMap([Region("ram", BASE, SIZE, (0xA000_0000,)), Region("pad", 0xBFC0_0000, 0x7C4)])
IMAGE = random.Random(1).randbytes(SIZE)
LINES = [Span(BASE + at, 0x100) for at in range(0, SIZE, 0x100)]
TIMEOUT = 10.0


@dataclass
class Rig:
    """A source that holds IMAGE as ram and nothing of pad.

    ``open`` opens it, with whatever must happen on the other side meanwhile.  ``told`` are the
    regions that it says it holds: with pad for one that cannot know before it asks for bytes.
    """

    source: Source
    open: Callable[[], Awaitable[Opened]]
    told: Sequence[Region] = MEMORY.regions[:1]


Maker = Callable[[Path, bytes], AbstractAsyncContextManager[Rig]]


@asynccontextmanager
async def file_rig(folder: Path, image: bytes) -> AsyncIterator[Rig]:
    (folder / "ram.bin.gz").write_bytes(gzip.compress(image))
    source = FileDump(FileSource(kind="file", path="ram.bin.gz"), folder)
    yield Rig(source, lambda: source.open(MEMORY))


@asynccontextmanager
async def shared_rig(folder: Path, image: bytes) -> AsyncIterator[Rig]:
    (folder / "ram").write_bytes(bytes(0x40) + image)
    source = SharedMemory(SharedSource(kind="shared", path="ram", offset=0x40), folder)
    yield Rig(source, lambda: source.open(MEMORY))


@asynccontextmanager
async def fake_rig(folder: Path, image: bytes) -> AsyncIterator[Rig]:
    source = ScriptedSource(held={"ram": len(image)})
    source.poke(BASE, image)
    yield Rig(source, lambda: source.open(MEMORY))


@asynccontextmanager
async def push_rig(folder: Path, image: bytes) -> AsyncIterator[Rig]:
    source = PushServer(PushSource(kind="push", listen="127.0.0.1:0"))
    writers: list[asyncio.StreamWriter] = []

    async def opened() -> Opened:
        opening = asyncio.create_task(source.open(MEMORY))
        while True:
            try:
                _, writer = await asyncio.open_connection("127.0.0.1", source.port)
                break
            except OSError:
                await asyncio.sleep(0.001)
        writers.append(writer)
        writer.write(lhp.encode(lhp.Hello(BASE, len(image))))
        writer.write(lhp.encode(lhp.FramePart(1, False, ((BASE, image),))))
        held = await opening
        assert await source.wait() == 1
        return held

    yield Rig(source, opened)
    for writer in writers:
        writer.close()


@asynccontextmanager
async def recording_rig(folder: Path, image: bytes) -> AsyncIterator[Rig]:
    about = About("", "", "first-print", "fake pier", [Region("ram", BASE, len(image))])
    with Recorder(folder / "ram.mcap", about) as recorder:
        recorder.frame(1, 1.0, Consistency.STILL, [(Span(BASE, len(image)), image)])
    source = RecordingPlayer(RecordingSource(kind="recording", path="ram.mcap"), folder)
    yield Rig(source, lambda: source.open(MEMORY))


@asynccontextmanager
async def folder_rig(folder: Path, image: bytes) -> AsyncIterator[Rig]:
    dumps = folder / "dumps"
    dumps.mkdir()
    (dumps / "ram.bin.xz").write_bytes(lzma.compress(image))
    source = DumpFolder(FolderSource(kind="folder", path="dumps", settle=0.05), folder)
    yield Rig(source, lambda: source.open(MEMORY))


@asynccontextmanager
async def serial_rig(folder: Path, image: bytes) -> AsyncIterator[Rig]:
    with PtyPair(folder) as pair:
        source = SerialLine(SerialSource(kind="serial", port=str(pair.host)))

        async def opened() -> Opened:
            pair.console.reset_input_buffer()
            opening = asyncio.create_task(source.open(MEMORY))
            while not opening.done():
                pair.console.write(lhp.encode(lhp.Hello(BASE, len(image))))
                await asyncio.wait([opening], timeout=0.1)
            held = opening.result()
            pair.console.write(lhp.encode(lhp.FramePart(1, False, ((BASE, image),))))
            assert await source.wait() == 1
            return held

        yield Rig(source, opened)
        await source.close()


@asynccontextmanager
async def debugger_rig(folder: Path, image: bytes) -> AsyncIterator[Rig]:
    async with ScriptedStub(image).listening() as stub:
        settings = DebuggerSource(kind="debugger", address=f"127.0.0.1:{stub.port}")
        source = DebuggerStub(settings)
        yield Rig(source, lambda: source.open(MEMORY), MEMORY.regions)
        await source.close()
        assert stub.running
        assert stub.breaches == []


PROCESS_SCHEMA = """
[game]
name = "Tidewright"
[memory]
endian = "big"
regions = [ { name = "ram", start = 0x8000_0000, size = 0x2000 } ]
[symbols]
frame_began = "u32"
[builds.first-print]
recognise = [ { at = 0x8000_0400, bytes = "BYTES" } ]
at = { frame_began = 0x8000_0010 }
"""
PROCESS_BRIDGE = """
schema = "t.schema.toml"
[source]
kind = "process"
[[watches]]
name = "frame"
expr = "frame_began"
"""


def recognised(folder: Path) -> dict[str, PreparedBuild]:
    """A build that is known by 16 bytes of IMAGE."""
    text = PROCESS_SCHEMA.replace("BYTES", IMAGE[0x400:0x410].hex(" "))
    (folder / "t.schema.toml").write_text(text, "utf-8")
    (folder / "t.bridge.toml").write_text(PROCESS_BRIDGE, "utf-8")
    return prepare(load_bridge(folder / "t.bridge.toml"))


@asynccontextmanager
async def process_rig(folder: Path, image: bytes) -> AsyncIterator[Rig]:
    (folder / "ram.bin").write_bytes(image)
    with PageHost(folder / "ram.bin") as host:
        settings = ProcessSource(
            kind="process",
            pid=host.pid,
            # what is searched for is a whole region: a part of one has to be named
            address=host.address if len(image) < SIZE else None,
        )
        source = ProcessMemory(settings, recognised(folder))
        yield Rig(source, lambda: source.open(MEMORY))


TYPED = 0x80
"""Bytes that are typed at a time."""
STARTS = range(0, SIZE, TYPED)
TYPED_SCHEMA = "\n".join(
    [
        '[game]\nname = "Tidewright"\n[memory]\nendian = "big"',
        f'regions = [ {{ name = "ram", start = {BASE}, size = {SIZE} }} ]',
        "[symbols]",
        *(f'at{at} = "char[{TYPED}]"' for at in STARTS),
        "[builds.only.at]",
        *(f"at{at} = {BASE + at}" for at in STARTS),
    ]
)


@cache
def typed_image(image: bytes) -> Asking:
    """All of an image, typed."""
    toml = TomlText(Path("typed.schema.toml"), TYPED_SCHEMA, SchemaError)
    (layout,) = compile_schema(toml.model(SchemaFile), toml).builds.values()
    program = check(layout, {f"w{at}": f"at{at}" for at in STARTS})
    asking = Asking({"only": PreparedBuild(layout, program, (), None, None)}, MEMORY)
    for at in range(0, len(image) - TYPED + 1, TYPED):
        assert asking.question is not None
        assert asking.question.address == BASE + at
        asking.answer(image[at : at + TYPED].hex())
    return asking


@asynccontextmanager
async def typed_rig(folder: Path, image: bytes) -> AsyncIterator[Rig]:
    source = TypedMemory(TypedSource(kind="typed"), {})
    source.asking = typed_image(image)
    yield Rig(source, lambda: source.open(MEMORY), MEMORY.regions)


@dataclass(frozen=True)
class Kind:
    """How to rig a kind of source.

    ``short`` is a length at which what it holds of ram can end before the region does; None for a
    kind of which ``why`` says why that cannot be.  ``marks`` tell where it can be tried.
    """

    maker: Maker
    short: int | None = 0x1234
    why: str = ""
    marks: tuple[pytest.MarkDecorator, ...] = ()


RIGS: dict[str, Kind] = {
    "recording": Kind(recording_rig),
    "file": Kind(file_rig),
    "folder": Kind(folder_rig),
    "shared": Kind(shared_rig),
    "fake": Kind(fake_rig),
    "push": Kind(push_rig),
    "serial": Kind(serial_rig, marks=(pytest.mark.needs("socat", "socat"),)),
    "debugger": Kind(
        debugger_rig,
        short=None,
        why="a stub tells what cannot be read only when it is asked for, so that all is held",
    ),
    "typed": Kind(
        typed_rig,
        short=None,
        why="nobody can type what a guest has not, and of the rest nobody knows before it is asked",
    ),
    "process": Kind(
        process_rig,
        short=0x1000,
        why="what a process has ends with a page",
        marks=(
            pytest.mark.skipif(sys.platform != "linux", reason="its host is a program for Linux"),
        ),
    ),
}
KINDS = [pytest.param(name, marks=kind.marks) for name, kind in RIGS.items()]


@pytest.fixture(params=KINDS)
async def rig(
    request: pytest.FixtureRequest, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> AsyncIterator[Rig]:
    monkeypatch.delenv("LOWHALF_PUSH_TOKEN", raising=False)
    async with RIGS[request.param].maker(tmp_path, IMAGE) as made:
        yield made
        await made.source.close()


async def opened(rig: Rig) -> Opened:
    async with asyncio.timeout(TIMEOUT):
        return await rig.open()


async def reader(rig: Rig, order: ByteOrder = ByteOrder.BIG) -> GuestReader:
    """The opened source, as the core reads it."""
    return GuestReader(rig.source, await opened(rig), order)


async def test_it_names_itself_and_its_kind(rig: Rig) -> None:
    assert rig.source.kind in RIGS
    assert rig.source.name.split()[0] == rig.source.kind


async def test_open_tells_what_is_held(rig: Rig) -> None:
    found = await opened(rig)
    assert found.memory.regions == tuple(rig.told)
    assert found.guest is MEMORY


async def test_it_tells_how_a_byte_is_called_that_it_does_not_hold(rig: Rig) -> None:
    found = await opened(rig)
    told = found.absent_status, found.absent_words
    unmapped = "is not in what the source holds"
    assert told == {
        "push": (Status.WAITING, "has not been sent yet"),
        "serial": (Status.WAITING, "has not been sent yet"),
        "debugger": (Status.UNMAPPED, "cannot be read through the debugger stub"),
        "typed": (Status.WAITING, "has not been typed yet (see /by-hand)"),
    }.get(rig.source.kind, (Status.UNMAPPED, unmapped))


async def test_what_it_says_of_its_frames_fits_together(rig: Rig) -> None:
    await opened(rig)
    source = rig.source
    # what stands still for ever stands still while it is read, too
    assert source.cadence is not Cadence.ONCE or source.consistency is Consistency.STILL
    if source.cadence.announced:
        assert source.kind in ("folder", "recording", "push", "serial", "typed")


async def test_a_batch_comes_back_whole_and_in_its_order(rig: Rig) -> None:
    await opened(rig)
    shuffled = random.Random(2).sample(LINES, len(LINES))
    assert await rig.source.fetch(shuffled) == [
        IMAGE[span.address - BASE : span.end - BASE] for span in shuffled
    ]


async def test_long_spans_and_no_spans(rig: Rig) -> None:
    await opened(rig)
    assert await rig.source.fetch([Span(BASE, SIZE)]) == [IMAGE]
    assert await rig.source.fetch([]) == []


async def test_bytes_are_real_bytes(rig: Rig) -> None:
    await opened(rig)
    for part in await rig.source.fetch(LINES[:3]):
        assert type(part) is bytes


@pytest.mark.parametrize(
    "span",
    [
        Span(BASE + SIZE, 0x100),
        Span(BASE + SIZE - 0x100, 0x200),
        Span(0xBFC0_0000, 0x100),
        Span(0x0, 0x100),
    ],
)
async def test_what_is_not_held_is_an_error_with_its_address(rig: Rig, span: Span) -> None:
    guest = await reader(rig)
    if any(region.start <= span.address < region.end for region in rig.told[1:]):
        # it could not know: then the bytes are missing, and never made up
        assert await guest.fetch([span]) == [None]
        return
    with pytest.raises(SourceError) as caught:
        await guest.fetch([span])
    assert (caught.value.address, caught.value.length) == (span.address, span.length)
    assert caught.value.detail == (
        f"0x{span.address:08X} to 0x{span.end:08X} is outside every region"
    )


async def test_it_must_be_open_to_be_asked(rig: Rig) -> None:
    with pytest.raises(SourceLost) as caught:
        await rig.source.fetch(LINES[:1])
    assert caught.value.detail == "is closed"


async def test_close_is_harmless_at_any_time(rig: Rig) -> None:
    await rig.source.close()
    await opened(rig)
    await rig.source.close()
    await rig.source.close()


async def test_once_closed_it_serves_nothing(rig: Rig) -> None:
    await opened(rig)
    await rig.source.close()
    with pytest.raises(SourceLost) as caught:
        await rig.source.fetch(LINES[:1])
    assert caught.value.detail == "is closed"
    assert caught.value.source == rig.source.name


async def test_it_can_be_opened_again(rig: Rig) -> None:
    for _ in range(3):
        assert (await opened(rig)).memory.regions == tuple(rig.told)
        assert await rig.source.fetch([Span(BASE, SIZE)]) == [IMAGE]
        await rig.source.close()


async def test_a_hint_is_harmless_at_any_time(rig: Rig) -> None:
    rig.source.want(LINES[:2])
    await opened(rig)
    rig.source.want(LINES)
    rig.source.want([])
    assert await rig.source.fetch(LINES[:1]) == [IMAGE[:0x100]]
    await rig.source.close()
    rig.source.want(LINES[:2])


@pytest.mark.parametrize("order", list(ByteOrder))
@pytest.mark.parametrize("kind", KINDS)
async def test_every_byte_order(
    kind: str, order: ByteOrder, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("LOWHALF_PUSH_TOKEN", raising=False)
    async with RIGS[kind].maker(tmp_path, reorder(IMAGE, order)) as rig:
        guest = await reader(rig, order)
        assert await guest.fetch(LINES) == [
            IMAGE[span.address - BASE : span.end - BASE] for span in LINES
        ]
        await rig.source.close()


@pytest.mark.parametrize("kind", KINDS)
async def test_a_short_source_ends_where_it_ends(
    kind: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("LOWHALF_PUSH_TOKEN", raising=False)
    short = RIGS[kind].short
    # one that cannot end early holds what it was told to, and says of the rest that it is missing
    size = short or SIZE
    async with RIGS[kind].maker(tmp_path, IMAGE[: short or 0x1234]) as rig:
        held = (await opened(rig)).memory
        assert held.regions[0] == Region("ram", BASE, size, (0xA000_0000,))
        if short is None:
            assert RIGS[kind].why
            found = await rig.source.fetch(LINES[0x11:0x14])
            assert found == [IMAGE[0x1100:0x1200], None, None]
        else:
            line = (short - 1) >> 8
            last = held.spans([line])
            assert last == [Span(BASE + (line << 8), short - (line << 8))]
            assert await rig.source.fetch(last) == [IMAGE[line << 8 : short]]
        await rig.source.close()


class Broken(Source):
    """A source whose replies are wrong: the reader must notice."""

    kind = "broken"

    def __init__(self, replies: list[bytes | None]) -> None:
        super().__init__()
        self.replies = replies

    async def _open(self, guest: MemoryMap) -> Opened:
        return Opened(guest, guest)

    async def _close(self) -> None:
        pass

    async def _fetch(self, spans: Sequence[Span]) -> list[bytes | None]:
        return self.replies


@pytest.mark.parametrize(
    ("replies", "message"),
    [
        ([], "broken: expected 1 replies, found 0"),
        ([None, None], "broken: expected 1 replies, found 2"),
        ([bytes(255)], "broken: 0x80000000: expected 256 bytes, found 255"),
        ([bytes(257)], "broken: 0x80000000: expected 256 bytes, found 257"),
    ],
)
async def test_replies_of_a_wrong_length_are_refused(
    replies: list[bytes | None], message: str
) -> None:
    source = Broken(replies)
    guest = GuestReader(source, await source.open(MEMORY), ByteOrder.BIG)
    with pytest.raises(SourceError) as caught:
        await guest.fetch(LINES[:1])
    assert str(caught.value) == message


async def test_a_source_that_holds_nothing_is_unusable() -> None:
    source = ScriptedSource(held={})
    with pytest.raises(SourceUnusable) as caught:
        await source.open(MEMORY)
    assert str(caught.value) == "fake: holds no byte of any region"


def test_every_kind_has_its_settings() -> None:
    for model, source in ((FileSource, FileDump), (SharedSource, SharedMemory)):
        assert get_args(model.model_fields["kind"].annotation) == (source.kind,)


def test_every_kind_that_a_bridge_file_may_name_is_rigged() -> None:
    models: list[Any] = list(get_args(get_args(AnySource)[0]))
    kinds = [get_args(model.model_fields["kind"].annotation)[0] for model in models]
    assert sorted(kinds) == sorted([*RIGS, "none"])


async def test_a_source_that_comes_from_elsewhere_says_what_to_do() -> None:
    source = MissingSource(NoSource(kind="none"))
    with pytest.raises(SourceUnusable) as caught:
        await source.open(MEMORY)
    assert str(caught.value) == (
        "none: the set-up has no memory of its own: give --source with a file whose [source] says "
        "where yours comes from, or write that into the bridge file; --dump reads a file"
    )


def _zip(data: bytes) -> bytes:
    stream = BytesIO()
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("ram.bin", data)
    return stream.getvalue()


SEEDS = [
    b"\x7fELF\x01\x02\x01" + bytes(45) + IMAGE[:100],
    b":0400000061626364" + b"72\n:00000001FF\n",
    b"S3090000000061626364" + b"6C\nS70500000000FA\n",
    *(pack(b"lamp" * 100) for pack in (gzip.compress, lzma.compress, zstandard.compress, _zip)),
    gzip.compress(_zip(b"S70500000000FA\n")),
    IMAGE[:64],
]


@settings(
    max_examples=400,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(st.data())
def test_only_source_errors_escape_from_damaged_dumps(tmp_path: Path, data: st.DataObject) -> None:
    damaged = bytearray(data.draw(st.sampled_from(SEEDS)))
    for _ in range(data.draw(st.integers(0, 5))):
        at = data.draw(st.integers(0, len(damaged)))
        damaged[at : at + data.draw(st.integers(0, 4))] = data.draw(st.binary(max_size=4))
    (tmp_path / "ram.bin").write_bytes(damaged)
    chosen = FileSource(
        kind="file",
        path="ram.bin",
        format=data.draw(st.sampled_from(["auto", "raw", "elf", "ihex", "srec"])),
        max_size=1 << 16,
    )

    async def attempt() -> int:
        source = FileDump(chosen, tmp_path)
        try:
            held = (await source.open(MEMORY)).memory
        except SourceUnusable:
            return 0
        parts = await source.fetch(held.spans(range(held.flat_size >> 8)))
        return sum(len(part) for part in parts if part is not None)

    assert 0 <= asyncio.run(attempt()) <= 1 << 16


@pytest.mark.parametrize("kind", ["file", "shared"])
@pytest.mark.parametrize(
    ("raised", "expected"),
    [
        (PermissionError(13, "no"), SourceUnusable),
        (OSError(5, "device failed"), SourceLost),
    ],
)
async def test_errors_of_the_system_are_translated(
    kind: str,
    raised: OSError,
    expected: type[SourceError],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    def fail(*_: object, **__: object) -> None:
        raise raised

    async with RIGS[kind].maker(tmp_path, IMAGE) as rig:
        with monkeypatch.context() as patched:
            patched.setattr(Path, "open", fail)
            patched.setattr("adapters.file_opening.os.open", fail)
            patched.setattr("adapters.file_opening._handle", fail)
            with pytest.raises(expected) as caught:
                await opened(rig)
        cause = caught.value.__cause__
        assert raised in (cause, cause.__cause__ if cause else None)
        assert caught.value.source == rig.source.name
