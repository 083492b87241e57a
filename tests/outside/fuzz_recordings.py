"""Damaged and crafted recordings, looked at by all that reads one: only documented errors come out.

    python -m tests.outside.fuzz_recordings [--seconds 300] [--seed 1]

A file is cut off, its bits are flipped and its bytes moved about; or its records are changed and
packed anew with right lengths and checksums, so that what is wrong is found behind them.  The form
of a file is the MCAP specification's ("Records", "Chunk", "Message"), written out here anew.
"""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import io
import json
import random
import struct
import tempfile
import time
import traceback
import zlib
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import lz4.frame
import zstandard

from adapters.commands.main import main as lowhalf
from adapters.recordings.changed_lines import changed_lines
from adapters.recordings.header import About
from adapters.recordings.reader import open_recording
from adapters.recordings.recorder import Recorder
from adapters.sources.recording.replay import RecordingReplay
from bridge.memory.address_map import MemoryMap, Region, Span
from bridge.ports.source import Consistency
from schemas.errors import SourceEnded, SourceError
from tests.bridge.made_heap import HELD, HeapGuest, gulls, schema_text

BASE, SIZE = 0x8000_0000, 0x4000
ARENA = 0x8000_1000
FIRST, FRAMES = 100, 150
MAGIC = b"\x89MCAP0\r\n"
HEADER, FOOTER, SCHEMA, CHANNEL, MESSAGE, CHUNK, INDEX, DATA_END = 1, 2, 3, 4, 5, 6, 7, 15
SLOWEST = 20.0
"""Seconds of this process's time that one look at one file may take."""
BRIDGE = """
schema = "pier.schema.toml"
[source]
kind = "recording"
path = "bad.mcap"
[[watches]]
name = "tide"
expr = "word"
[[watches]]
name = "holds"
expr = "held.kind"
[[watches]]
name = "rises"
expr = "count(change(word) > 0)"
"""
EXPECT = """
bridge = "pier.bridge.toml"
[[moments]]
recording = "bad.mcap"
frame = 120
expect = [ { watch = "tide", value = 20 } ]
[[moments]]
recording = "bad.mcap"
first = "word == 130"
expect = [ { watch = "tide", value = 130 } ]
"""
EXTREMES = (0, 1, 0xFF, 0xFFFF, (1 << 31) - 1, 1 << 31, (1 << 32) - 1, 1 << 40, (1 << 63) - 1,
            1 << 63, (1 << 64) - 1, 100 << 30, BASE, BASE + SIZE - 1, BASE + SIZE)  # fmt: skip

Change = Callable[[random.Random, bytes], bytes]


def write(folder: Path) -> bytes:
    """The files beside a recording, and its bytes: a heap that changes, readings and a gap."""
    schema = schema_text(size="16 KiB")
    (folder / "pier.schema.toml").write_text(schema, "utf-8")
    (folder / "pier.bridge.toml").write_text(BRIDGE, "utf-8")
    (folder / "pier.expect.toml").write_text(EXPECT, "utf-8")
    guest = HeapGuest(size="16 KiB")
    about = About(schema, BRIDGE, "only", "made", [Region("ram", BASE, SIZE)])
    before = b""
    with Recorder(folder / "good.mcap", about, marks=True) as recorder:
        for index in range(FRAMES):
            blocks = gulls(3 + index // 40)
            guest.heap(blocks, ARENA)
            guest.aim(guest.start(index // 30 % 3), HELD)
            guest.poke(0x8000_0118, "I", index)
            image = guest.part(Span(BASE, SIZE))
            whole = [(Span(BASE, SIZE), image)]
            parts = changed_lines(BASE, before, image) if before else whole
            if index == 70:
                recorder.gap(FIRST + index, FIRST + index - 1, 2, "not sampled")
            recorder.frame(FIRST + index, 1000 + index / 60, Consistency.GUARDED, parts)
            recorder.readings({"frame": FIRST + index, "readings": []})
            if index % 50 == 45:
                recorder.mark(FIRST + index, "call_gull")
            before = image
    return (folder / "good.mcap").read_bytes()


# -- damage


def flipped(chance: random.Random, data: bytes) -> bytes:
    """Some bits are other ones."""
    changed = bytearray(data)
    for _ in range(chance.choice((1, 1, 1, 2, 4, 16))):
        changed[chance.randrange(len(changed))] ^= 1 << chance.randrange(8)
    return bytes(changed)


def cut(chance: random.Random, data: bytes) -> bytes:
    """Its end is missing."""
    return data[: chance.randrange(len(data))]


def moved(chance: random.Random, data: bytes) -> bytes:
    """A stretch is zeros, missing, twice there, or that of another place."""
    at, length = chance.randrange(len(data)), chance.choice((1, 8, 100, 4096))
    other = chance.randrange(len(data))
    stretch = chance.choice((bytes(length), b"", data[at : at + length] * 2, data[other:][:length]))
    return data[:at] + stretch + data[at + length :]


# -- changed behind right lengths and checksums


@dataclass
class Record:
    """An MCAP record; that of a chunk has the records that are inside."""

    opcode: int
    content: bytes
    inside: list[Record] | None = None


def records(data: bytes) -> Iterator[Record]:
    """The records one behind the other, to the end."""
    at = 0
    while at + 9 <= len(data):
        opcode, length = struct.unpack_from("<BQ", data, at)
        yield Record(opcode, data[at + 9 : at + 9 + length])
        at += 9 + length


def of_file(data: bytes) -> list[Record]:
    """The records up to the end of its data, of chunks with what is inside."""
    found = []
    for record in records(data[len(MAGIC) : -len(MAGIC)]):
        if record.opcode == DATA_END:
            break
        if record.opcode == CHUNK:
            _, _, size, _, name = struct.unpack_from("<QQQII", record.content)
            packed = record.content[32 + name + 8 :]
            assert record.content[32 : 32 + name] == b"zstd"
            record.inside = list(records(zstandard.ZstdDecompressor().decompress(packed, size)))
        found.append(record)
    return found


def packed(record: Record, compression: str = "zstd", size: int | None = None) -> bytes:
    """A record's bytes.  *size* is what a chunk claims to unpack to, where that is not so."""
    content = record.content
    if record.inside is not None:
        # one that is there a million times is packed once
        once = {id(each): each for each in record.inside}
        bytes_of = {key: packed(each) for key, each in once.items()}
        data = b"".join(bytes_of[id(each)] for each in record.inside)
        times = [struct.unpack_from("<Q", r.content, 6)[0] for r in once.values() if is_message(r)]
        pack: Callable[[bytes], bytes] = {
            "": bytes, "zstd": zstandard.compress, "lz4": lz4.frame.compress
        }[compression]  # fmt: skip
        smaller = pack(data)
        head = (min(times, default=0), max(times, default=0), len(data) if size is None else size)
        content = struct.pack("<QQQII", *head, zlib.crc32(data), len(compression))
        content += compression.encode() + struct.pack("<Q", len(smaller)) + smaller
    return struct.pack("<BQ", record.opcode, len(content)) + content


def is_message(record: Record) -> bool:
    return record.opcode == MESSAGE and len(record.content) >= 22


def file_of(parts: list[bytes], end: bool = True) -> bytes:
    """A file without a summary, which the MCAP specification allows."""
    ends = [
        packed(Record(DATA_END, bytes(4))),
        packed(Record(FOOTER, bytes(20))),
        MAGIC,
    ]
    return b"".join([MAGIC, *parts, *(ends if end else [])])


def with_indexes(records: list[Record]) -> bytes:
    """A file whose chunks have the indexes behind them by which ours are told, and no more."""
    parts = []
    for record in records:
        parts.append(packed(record))
        numbers = {
            struct.unpack_from("<H", r.content)[0] for r in record.inside or [] if is_message(r)
        }
        parts += [
            packed(Record(INDEX, struct.pack("<HI", number, 0))) for number in sorted(numbers)
        ]
    return file_of(parts)


def crafted(chance: random.Random, data: bytes) -> bytes:
    """Some records are changed, and the file packed anew, as ours or in other ways."""
    found = of_file(data)
    if chance.random() < 0.7:
        # without the indexes of messages nothing can be told without looking
        found = [record for record in found if record.opcode != INDEX]
    chunks = [record for record in found if record.inside is not None]
    for _ in range(chance.choice((1, 1, 2, 3))):
        _change(chance, chance.choice(chunks))
    if chance.random() < 0.2:
        chance.shuffle(found)
    if chance.random() < 0.2:
        found = [r for each in found for r in (each.inside if each.inside else [each])]
    compression = chance.choice(("zstd", "zstd", "lz4", ""))
    lies = chance.choice(chunks) if chance.random() < 0.2 else None
    parts = [
        packed(each, compression, chance.choice(EXTREMES) if each is lies else None)
        for each in found
    ]
    return file_of(parts, end=chance.random() < 0.8)


def _change(chance: random.Random, chunk: Record) -> None:
    inside = chunk.inside
    assert inside is not None
    if not inside:
        return
    at = chance.randrange(len(inside))
    record = inside[at]
    what = chance.randrange(8)
    if what == 0:
        del inside[at]
    elif what == 1:
        inside.insert(chance.randrange(len(inside)), record)
    elif what == 2:
        record.content = record.content[: chance.randrange(len(record.content) + 1)]
    elif what == 3:
        record.content += chance.randbytes(chance.randrange(100))
    elif what == 4 and record.content:
        record.content = flipped(chance, record.content)
    elif record.content[22:23] == b"{":
        told = json.loads(record.content[22:])
        text = json.dumps(_other(chance, told)).encode()
        record.content = record.content[:22] + text
    elif len(record.content) >= 54 and record.opcode == MESSAGE:
        # counts, the frame's number, a span's address and length (the table in frame_message)
        place, form = chance.choice(((4, "I"), (8, "I"), (16, "Q"), (24, "Q"), (32, "I"), (0, "B")))
        value = chance.choice(EXTREMES) % (1 << 8 * struct.calcsize(form))
        changed = bytearray(record.content)
        struct.pack_into("<" + form, changed, 22 + place, value)
        record.content = bytes(changed)
    else:
        record.content = flipped(chance, record.content) if record.content else b"\0"


def _other(chance: random.Random, value: Any) -> Any:
    """JSON with something in it that is another."""
    if isinstance(value, dict) and value and chance.random() < 0.9:
        key = chance.choice(list(value))
        changed = {**value, key: _other(chance, value[key])}
        if chance.random() < 0.1:
            del changed[key]
        return changed
    if isinstance(value, list) and value and chance.random() < 0.9:
        at = chance.randrange(len(value))
        return [*value[:at], _other(chance, value[at]), *value[at:]]
    words: tuple[Any, ...] = (
        None,
        True,
        "",
        "x",
        "\ud800",
        [],
        {},
        -1,
        1.5,
        1e400,
        value,
        *EXTREMES,
    )
    if isinstance(value, str) and value and chance.random() < 0.7:
        at = chance.randrange(len(value))
        return value[:at] + chance.choice('\0[]{}="\n0xé') + value[at + 1 :]
    return chance.choice(words)


CHANGES: dict[str, Change] = {
    "flipped": flipped,
    "cut": cut,
    "moved": moved,
    "crafted": crafted,
}

# -- what reads


def refused(fault: SourceError) -> str:
    """What a refusal comes to: it names the file."""
    assert "bad.mcap" in str(fault), fault
    return "refused"


def read(path: Path) -> str:
    """All frames by the reader, as objects and as arrays, with what is said beside them."""
    try:
        recording = open_recording(path)
        count = 0
        recording.marks()
        for group in range(len(recording.groups)):
            memory = recording.memory_before(group)
            recording.readings(group)
            recording.stretch(group)
            for frame in recording.frames(group):
                memory.apply(frame)
                count += 1
            memory.read(Span(BASE, SIZE))
    except SourceError as fault:
        return refused(fault)
    return f"read {'all' if count == FRAMES else 'some'}"


def play(path: Path) -> str:
    """All frames by the source."""
    guest = MemoryMap([Region("ram", BASE, SIZE), Region("pad", 0x9000_0000, 0x1000)])

    async def played() -> int:
        source, count = RecordingReplay(path), 0
        try:
            opened = await source.open(guest)
            with contextlib.suppress(SourceEnded):
                while True:
                    await source.wait()
                    await source.fetch(opened.memory.whole())
                    count += 1
        finally:
            await source.close()
        return count

    try:
        count = asyncio.run(played())
    except SourceError as fault:
        return refused(fault)
    return f"played {'all' if count == FRAMES else 'some'}"


def commanded(*words: str | Path) -> Callable[[Path], str]:
    """A look by a command; where BAD stands among the words, the file's path."""

    def look(path: Path) -> str:
        given = [str(word).replace("BAD", str(path)).replace("DIR", str(path.parent))
                 for word in words]  # fmt: skip
        out, err = io.TextIOWrapper(io.BytesIO(), "utf-8"), io.StringIO()
        with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
            code = lowhalf(given)
        assert code in (0, 1, 2, 3), (code, err.getvalue())
        told = err.getvalue().splitlines()
        assert all(line.startswith(("lowhalf: ", " ")) for line in told), told
        if code >= 2:
            assert any("bad.mcap" in line for line in told), told
        return f"exit {code}"

    return look


LOOKS: dict[str, Callable[[Path], str]] = {
    "reader": read,
    "player": play,
    "query": commanded("query", "BAD", "--watch", "tide", "held.kind", "rises", "--json"),
    "events": commanded("events", "BAD", "--json"),
    "compare": commanded("compare", "BAD@120", "DIR/good.mcap@121",
                         "--bridge", "DIR/pier.bridge.toml", "--json"),
    "verify": commanded("verify", "DIR/pier.expect.toml", "--json"),
    "read": commanded("read", "DIR/pier.bridge.toml", "--frame", "140"),
}  # fmt: skip


class Fuzz:
    """Looks at changed recordings in *folder*; ``seen`` counts what came of it."""

    def __init__(self, folder: Path, seed: int) -> None:
        self.path = folder / "bad.mcap"
        self.good = write(folder)
        self.chance = random.Random(seed)
        self.seen: Counter[tuple[str, str]] = Counter()
        self.slowest = 0.0

    def look(self, change: str, looks: list[str]) -> None:
        """Change the recording, and look at it; fails where anything else than told comes out."""
        data = CHANGES[change](self.chance, self.good)
        self.path.write_bytes(data)
        for name in looks:
            began = time.process_time()
            try:
                self.seen[name, LOOKS[name](self.path)] += 1
            except Exception as fault:
                raise Found(name, change, data) from fault
            self.slowest = max(self.slowest, time.process_time() - began)
            assert self.slowest < SLOWEST, Found(name, change, data)


class Found(AssertionError):
    """Something that is not documented came of a file, which is kept."""

    def __init__(self, look: str, change: str, data: bytes) -> None:
        self.data = data
        super().__init__(f"{look}, of one that was {change}: {len(data)} bytes")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=float, default=300.0)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--keep", type=Path, help="a folder for files of which something came")
    arguments = parser.parse_args()
    end, kept = time.monotonic() + arguments.seconds, 0
    with tempfile.TemporaryDirectory() as folder:
        fuzz = Fuzz(Path(folder), arguments.seed)
        while time.monotonic() < end:
            try:
                fuzz.look(fuzz.chance.choice([*CHANGES, "crafted"]), list(LOOKS))
            except Found as found:
                traceback.print_exc(limit=-6)
                if arguments.keep:
                    arguments.keep.mkdir(parents=True, exist_ok=True)
                    kept += 1
                    (arguments.keep / f"{kept}.mcap").write_bytes(found.data)
    for (look, came), count in sorted(fuzz.seen.items()):
        print(f"{count:9,}  {look}: {came}")
    print(f"the slowest look took {fuzz.slowest:.2f} s of the processor's time; {kept} kept")


if __name__ == "__main__":
    main()
