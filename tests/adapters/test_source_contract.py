"""What holds for every source, whatever is behind it.

A new source gets a rig here: how to make one that holds an image, and how to open it.
"""

from __future__ import annotations

import asyncio
import gzip
import lzma
import random
import zipfile
from collections.abc import AsyncIterator, Awaitable, Callable, Sequence
from contextlib import AbstractAsyncContextManager, asynccontextmanager
from dataclasses import dataclass
from io import BytesIO
from pathlib import Path
from typing import get_args

import pytest
import zstandard
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from adapters.recordings.about import About
from adapters.recordings.recorder import Recorder
from adapters.sources import lhp
from adapters.sources.fake import ScriptedSource
from adapters.sources.file import FileDump
from adapters.sources.push import PushServer
from adapters.sources.recording import RecordingPlayer
from adapters.sources.shared import SharedMemory
from bridge.byte_order import ByteOrder, reorder
from bridge.memory import MemoryMap, Region, Span
from bridge.source import Consistency, Source
from schemas.errors import SourceError, SourceLost, SourceUnusable
from schemas.source_settings import FileSource, PushSource, RecordingSource, SharedSource

BASE = 0x8000_0000
SIZE = 0x2000
MEMORY = MemoryMap([Region("ram", BASE, SIZE, (0xA000_0000,)), Region("pad", 0xBFC0_0000, 0x7C4)])
IMAGE = random.Random(1).randbytes(SIZE)
LINES = [Span(BASE + at, 0x100) for at in range(0, SIZE, 0x100)]
TIMEOUT = 10.0


@dataclass
class Rig:
    """A source that holds IMAGE as ram and nothing of pad.

    ``open`` opens it, with whatever must happen on the other side meanwhile.
    """

    source: Source
    open: Callable[[], Awaitable[MemoryMap]]


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

    async def opened() -> MemoryMap:
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
        recorder.key(1, 1.0, Consistency.STILL, [(Span(BASE, len(image)), image)])
    source = RecordingPlayer(RecordingSource(kind="recording", path="ram.mcap"), folder)
    yield Rig(source, lambda: source.open(MEMORY))


RIGS: dict[str, Maker] = {
    "recording": recording_rig,
    "file": file_rig,
    "shared": shared_rig,
    "fake": fake_rig,
    "push": push_rig,
}


@pytest.fixture(params=list(RIGS))
async def rig(
    request: pytest.FixtureRequest, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> AsyncIterator[Rig]:
    monkeypatch.delenv("LOWHALF_PUSH_TOKEN", raising=False)
    maker = RIGS[request.param]
    async with maker(tmp_path, IMAGE) as made:
        yield made
        await made.source.close()


async def opened(rig: Rig) -> MemoryMap:
    async with asyncio.timeout(TIMEOUT):
        return await rig.open()


async def test_it_names_itself_and_its_kind(rig: Rig) -> None:
    assert rig.source.kind in RIGS
    assert rig.source.name.split()[0] == rig.source.kind


async def test_open_tells_what_is_held(rig: Rig) -> None:
    assert (await opened(rig)).regions == MEMORY.regions[:1]
    assert rig.source.memory is not None
    assert rig.source.memory.regions == MEMORY.regions[:1]


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
    await opened(rig)
    with pytest.raises(SourceError) as caught:
        await rig.source.fetch([span])
    assert (caught.value.address, caught.value.length) == (span.address, span.length)
    assert caught.value.detail == (
        f"0x{span.address:08X} to 0x{span.end:08X} is outside every region"
    )


async def test_it_must_be_open_to_be_asked(rig: Rig) -> None:
    with pytest.raises(SourceError) as caught:
        await rig.source.fetch(LINES[:1])
    assert caught.value.detail == "was asked for bytes before it was open"


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
        assert (await opened(rig)).regions == MEMORY.regions[:1]
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
@pytest.mark.parametrize("kind", list(RIGS))
async def test_every_byte_order(
    kind: str, order: ByteOrder, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("LOWHALF_PUSH_TOKEN", raising=False)
    async with RIGS[kind](tmp_path, reorder(IMAGE, order)) as rig:
        await opened(rig)
        rig.source.order = order
        assert await rig.source.fetch(LINES) == [
            IMAGE[span.address - BASE : span.end - BASE] for span in LINES
        ]
        await rig.source.close()


async def test_a_short_source_ends_where_it_ends(tmp_path: Path) -> None:
    for kind, maker in RIGS.items():
        folder = tmp_path / kind
        folder.mkdir()
        async with maker(folder, IMAGE[:0x1234]) as rig:
            held = await opened(rig)
            assert held.regions == (Region("ram", BASE, 0x1234, (0xA000_0000,)),), kind
            last = held.spans([0x12])
            assert last == [Span(BASE + 0x1200, 0x34)]
            assert await rig.source.fetch(last) == [IMAGE[0x1200:0x1234]], kind
            await rig.source.close()


class Broken(Source):
    """A source whose replies are wrong: the base must notice."""

    kind = "broken"

    def __init__(self, replies: list[bytes | None]) -> None:
        super().__init__()
        self.replies = replies

    async def _open(self, memory: MemoryMap) -> MemoryMap:
        return memory

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
    await source.open(MEMORY)
    with pytest.raises(SourceError) as caught:
        await source.fetch(LINES[:1])
    assert str(caught.value) == message


async def test_a_source_that_holds_nothing_is_unusable() -> None:
    source = ScriptedSource(held={})
    with pytest.raises(SourceUnusable) as caught:
        await source.open(MEMORY)
    assert str(caught.value) == "fake: holds no byte of any region"


def test_every_kind_has_its_settings() -> None:
    for model, source in ((FileSource, FileDump), (SharedSource, SharedMemory)):
        assert get_args(model.model_fields["kind"].annotation) == (source.kind,)


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
            held = await source.open(MEMORY)
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

    async with RIGS[kind](tmp_path, IMAGE) as rig:
        with monkeypatch.context() as patched:
            patched.setattr(Path, "open", fail)
            patched.setattr("adapters.sources.shared.os.open", fail)
            with pytest.raises(expected) as caught:
                await opened(rig)
        cause = caught.value.__cause__
        assert raised in (cause, cause.__cause__ if cause else None)
        assert caught.value.source == rig.source.name
