"""Reads a recording: any frame's memory, or its frames one group after the other."""

from __future__ import annotations

import json
from bisect import bisect_right
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from itertools import islice
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

from adapters.file_opening import may_wait, open_stream
from adapters.recordings import chunk, topics
from adapters.recordings.chunk import ChunkMessage, ChunkPlace
from adapters.recordings.chunk_index import chunk_index, everything, written_by
from adapters.recordings.contents import Contents, Group, Key, Piece, as_recorded, by_looking
from adapters.recordings.contents import messages as messages_in
from adapters.recordings.frame_message import MAX_SPANS, RecordedFrame, decode
from adapters.recordings.header import About
from adapters.recordings.recorded_memory import RecordedMemory, blocks
from bridge.memory.address_map import MemoryMap, Span
from schemas.errors import SourceLost, SourceUnusable
from schemas.system_words import HELD_WORDS, is_held, system_words

if TYPE_CHECKING:
    from bridge.querying.stretch import Stretch

__all__ = ["Mark", "Recording", "Said", "open_recording"]

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Said:
    """A message in JSON, of the frame of that time or of what is missing before it.

    ``time`` is in nanoseconds since the Unix epoch.
    """

    topic: str
    time: int
    data: bytes


@dataclass(frozen=True, slots=True)
class Mark:
    """Whoever played pressed a key while *frame* was the newest: the action *name* was done.

    ``time`` is that frame's, in nanoseconds since the Unix epoch.
    """

    frame: int
    time: int
    name: str


@dataclass(frozen=True, slots=True)
class Recording:
    """A recording's file, what it says of itself and where its groups of frames are.

    ``complete`` is false where the file was cut off: the groups are those that are whole.  The file
    is open only while something is read from it.  Reading raises SourceUnusable where the file is
    damaged, SourceLost where it is gone.
    """

    path: Path
    about: About
    keys: Sequence[Key]
    groups: Sequence[Group]
    complete: bool
    channels: Mapping[int, str]
    beside: Mapping[str, Sequence[ChunkPlace]]

    def group_at(self, time: int) -> int:
        """The number of the group with the newest frame at or before *time*, in nanoseconds.

        It is the first group where *time* is before all frames.
        """
        after = bisect_right(self.groups, time, key=lambda group: group.first_time)
        return max(0, after - 1)

    def part_of(self, guest: MemoryMap) -> MemoryMap:
        """What of a guest's map was recorded, as far as its regions tell."""
        sizes: dict[str, int] = {}
        for region in guest.regions:
            for recorded in self.about.regions:
                if recorded.start <= region.start < recorded.end:
                    sizes[region.name] = min(region.size, recorded.end - region.start)
                    break
        return guest.truncated(sizes)

    def frames(self, group: int) -> list[RecordedFrame]:
        """The frames of a group; only this part of the file is read."""
        return self._read(self.groups[group].piece)

    def count(self, group: int) -> int:
        """How many frames a group has; none of them is decoded."""
        piece = self.groups[group].piece

        def counted(data: memoryview) -> int:
            return len(list(messages_in(data, piece.channel))[piece.first : piece.last])

        return self._from(piece.place, counted)

    def readings(self, group: int) -> list[Said]:
        """The readings of the frames of a group, in order."""
        return self._said(topics.READINGS, self.groups[group].place)

    def gaps(self, first: int, last: int) -> list[Said]:
        """What is said of missing frames, each with the time of the frame before them, in order.

        Only the parts of the file are read that reach into *first* to *last*, in nanoseconds.
        """
        return [
            gap
            for place in self.beside[topics.GAPS]
            if place.first_time <= last and place.last_time >= first
            for gap in self._said(topics.GAPS, place)
        ]

    def marks(self) -> list[Mark]:
        """The marks, in order; only the parts of the file that have some are read."""

        def read(data: memoryview) -> list[Mark]:
            found = (m for m in messages_in(data) if self.channels.get(m.channel) == topics.MARKS)
            return [_mark(message) for message in found]

        places = self.beside[topics.MARKS]
        marks = [mark for place in places for mark in self._from(place, read)]
        return sorted(marks, key=lambda mark: mark.time)

    def _said(self, topic: str, place: ChunkPlace) -> list[Said]:
        return [
            Said(topic, message.time, bytes(message.data))
            for message in self._messages(place)
            if self.channels.get(message.channel) == topic
        ]

    def memory_before(self, group: int) -> RecordedMemory:
        """What was known before the first frame of a group.

        Read are the last ``since-key`` and the frames behind it; of the key image nothing is
        unpacked before something in it is asked for, which may raise as reading does.
        """
        key = self.groups[group].key
        try:
            memory = RecordedMemory(self.about.regions)
        except MemoryError as fault:
            size = sum(region.size for region in self.about.regions)
            raise SourceUnusable(
                f"there is no room for the {size} bytes of memory that it is of",
                source=f"recording {self.path.name}",
            ) from fault
        self._lay_key(memory, self.keys[key])
        first = group
        while self.groups[first].since is None and first and self.groups[first - 1].key == key:
            first -= 1
        earlier: list[RecordedFrame] = []
        if (since := self.groups[first].since) is not None:
            earlier += self._read(since)
        for before in range(first, group):
            earlier += self._last_of(before)
        memory.apply_all(earlier)
        return memory

    def _last_of(self, group: int) -> Sequence[RecordedFrame]:
        """Messages that come to the same as all frames of a group."""
        from adapters.recordings.stretches import last_written  # most readers need no numpy

        last = last_written(self.stretch(group))
        return self.frames(group) if last is None else [last]

    def _lay_key(self, memory: RecordedMemory, key: Key) -> None:
        spans = blocks(self.about.regions)
        whole_blocks = len(key.pieces) == len(spans) and all(
            piece.first == 0 and piece.place.channels for piece in key.pieces
        )
        if whole_blocks:
            packed = zip(spans, key.pieces, strict=True)
            memory.set_key((span, partial(self._block, span, piece)) for span, piece in packed)
            return
        memory.set_key(())
        for piece in key.pieces:
            for frame in self._read(piece):
                memory.apply(frame)

    def _block(self, block: Span, piece: Piece) -> list[tuple[Span, bytes | memoryview]]:
        def read(data: memoryview) -> list[tuple[Span, bytes | memoryview]]:
            parts = [part for frame in _decoded(data, piece) for part in frame.parts]
            for span, _ in parts:
                if span.address < block.address or span.end > block.end:
                    raise ValueError(f"0x{span.address:08X} is outside its part of the key image")
            return parts

        return self._from(piece.place, read)

    def stretch(self, group: int) -> Stretch:
        """The same frames as arrays."""
        from adapters.recordings.stretches import stretch_of  # most readers need no numpy

        piece = self.groups[group].piece
        numbered = piece.channel, piece.first, piece.last
        return self._from(piece.place, lambda data: stretch_of(data, *numbered))

    def _read(self, piece: Piece) -> list[RecordedFrame]:
        return self._from(piece.place, lambda data: _decoded(data, piece))

    def _messages(self, place: ChunkPlace) -> list[ChunkMessage]:
        return self._from(place, lambda data: list(messages_in(data)))

    def _from(self, place: ChunkPlace, made: Callable[[memoryview], T]) -> T:
        """What is made of the records in a chunk."""
        try:
            with open_stream(self.path) as stream:
                return made(chunk.unpacked(stream, place))
        except OSError as fault:
            raise SourceLost(
                f"{self.path} cannot be read ({system_words(fault) or fault})",
                source=f"recording {self.path.name}",
            ) from fault
        except ValueError as fault:
            raise SourceUnusable(
                f"the part at byte {place.offset} is damaged: {fault}",
                source=f"recording {self.path.name}",
            ) from fault


def _decoded(data: memoryview, piece: Piece) -> list[RecordedFrame]:
    """The messages of a piece in a chunk's records.  Raises ValueError where one is damaged."""
    frames: list[RecordedFrame] = []
    left = MAX_SPANS
    for each in islice(messages_in(data, piece.channel), piece.first, piece.last):
        frames.append(decode(each.data, each.time, left))
        left -= len(frames[-1].parts) + len(frames[-1].gone)
    return frames


def _mark(message: ChunkMessage) -> Mark:
    """Raises ValueError where it is damaged."""
    try:
        told = json.loads(bytes(message.data))
        frame, name = told["frame"], told["name"]
    except (KeyError, TypeError, RecursionError) as fault:
        raise ValueError("expected frame and name in a mark") from fault
    if type(frame) is not int or not isinstance(name, str):
        raise ValueError("expected a number as frame and a text as name in a mark")
    return Mark(frame, message.time, name)


def open_recording(path: Path) -> Recording:
    """Find out what a recording holds, without reading its frames.

    Raises SourceUnusable where the file is no recording or holds no whole group, SourceLost where
    it is missing.
    """
    name = f"recording {path.name}"
    try:
        return _open(path)
    except FileNotFoundError as fault:
        raise SourceLost(
            f"{path} is not there: is the path relative to the bridge file?", source=name
        ) from fault
    except (PermissionError, IsADirectoryError) as fault:
        if is_held(fault):
            raise SourceLost(f"{path} {HELD_WORDS}", source=name) from fault
        raise SourceUnusable(
            f"{path} cannot be opened ({system_words(fault)})", source=name
        ) from fault
    except OSError as fault:
        raise SourceLost(
            f"{path} cannot be read ({system_words(fault) or fault})", source=name
        ) from fault
    except ValueError as fault:
        raise SourceUnusable(f"{path} is not a usable recording: {fault}", source=name) from fault


def _open(path: Path) -> Recording:
    found: Contents | None = None
    if may_wait(path):
        raise ValueError("it is not a regular file")
    with open_stream(path) as stream:
        size = stream.seek(0, 2)
        index = chunk_index(stream, size)
        if index.places and written_by(stream) == topics.LIBRARY:
            found = as_recorded(stream, index.places)
        if found is None:
            # not as our recorder wrote it: a copy by another program, say
            index = everything(stream, size)
            if not index.places:
                raise ValueError("no part of it is whole")
            found = by_looking(stream, index.places, index.channels)
    if found is None:
        raise ValueError(f"expected the channels {topics.BRIDGE} and {topics.RAM}")
    if not found.groups:
        raise ValueError("it ends before its first frames are whole")
    whole = index.complete
    return Recording(
        path, found.about, found.keys, found.groups, whole, found.channels, found.beside
    )
