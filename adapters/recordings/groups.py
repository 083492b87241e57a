"""The groups of a recording: a key image and what changed since, up to the next key image.

A recorder of ours ends a chunk with each group, so there a chunk is a group.  Other programs that
copy, repair or filter an MCAP file may put the same messages into chunks of their own, or into
none: then each group is a row of pieces, and the key images are looked for once.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import BinaryIO

from adapters.recordings import chunk, topics
from adapters.recordings.chunk import ChunkMessage, ChunkPlace
from adapters.recordings.frame_message import FrameKind
from adapters.recordings.header import About, decode_about

__all__ = ["Found", "Group", "Piece", "groups_as_recorded", "groups_by_looking", "messages"]


@dataclass(frozen=True, slots=True)
class Piece:
    """Frames of a chunk: from number *first* on, up to *last* (one behind; None for all)."""

    place: ChunkPlace
    first: int = 0
    last: int | None = None


@dataclass(frozen=True, slots=True)
class Group:
    """The pieces of a group, in order; ``first_time`` is the key image's, in nanoseconds."""

    pieces: tuple[Piece, ...]
    first_time: int

    @property
    def offset(self) -> int:
        """Where its first chunk begins in the file, in bytes."""
        return self.pieces[0].place.offset

    @property
    def length(self) -> int:
        """Bytes of the file from there to the end of its last chunk."""
        last = self.pieces[-1].place
        return last.offset + last.length - self.offset


@dataclass(frozen=True, slots=True)
class Found:
    """What the messages of a recording were found to be."""

    about: About
    groups: list[Group]
    ram_channel: int


def messages(data: memoryview) -> Iterator[ChunkMessage]:
    """The messages in a chunk's records.  Raises ValueError where one is damaged."""
    for opcode, content in chunk.records(data):
        if opcode == chunk.MESSAGE:
            yield chunk.message(content)


def groups_as_recorded(stream: BinaryIO, places: list[ChunkPlace]) -> Found | None:
    """The groups where the chunks are as our recorder ends them; only the first one is looked at.

    That chunk holds the channels and the message that says what is recorded, and no frame.  None
    where it does not.  Raises ValueError where it is damaged, and OSError.
    """
    channels: dict[str, int] = {}
    said: list[ChunkMessage] = []
    for opcode, content in chunk.records(chunk.unpacked(stream, places[0])):
        if opcode == chunk.CHANNEL:
            number, topic = chunk.channel_topic(content)
            channels[topic] = number
        elif opcode == chunk.MESSAGE:
            said.append(chunk.message(content))
    if (
        topics.RAM not in channels
        or len(said) != 1
        or said[0].channel != channels.get(topics.BRIDGE)
    ):
        return None
    about = decode_about(bytes(said[0].data))
    groups = [Group((Piece(place),), place.first_time) for place in places[1:]]
    return Found(about, groups, channels[topics.RAM])


def groups_by_looking(
    stream: BinaryIO, places: Iterable[ChunkPlace], outside: dict[str, int]
) -> Found | None:
    """The groups however the messages are put into chunks; every chunk is unpacked once.

    *outside* are the numbers of the channels that are told of outside the chunks, by topic.
    Frames before the first key image are left out.  None where the channels of a recording are
    not there.  Raises ValueError where a chunk is damaged, and OSError.
    """
    channels = dict(outside)
    about: About | None = None
    groups: list[Group] = []
    pieces: list[Piece] = []
    key_time = 0

    def close() -> None:
        if pieces:
            groups.append(Group(tuple(pieces), key_time))
            pieces.clear()

    for place in places:
        first: int | None = 0 if pieces else None
        count = 0
        try:
            for opcode, content in chunk.records(chunk.unpacked(stream, place)):
                if opcode == chunk.CHANNEL:
                    number, topic = chunk.channel_topic(content)
                    channels[topic] = number
                if opcode != chunk.MESSAGE:
                    continue
                found = chunk.message(content)
                if found.channel == channels.get(topics.BRIDGE):
                    about = about or decode_about(bytes(found.data))
                elif found.channel == channels.get(topics.RAM):
                    if found.data[:1] == bytes([FrameKind.KEY]):
                        if first is not None and count > first:
                            pieces.append(Piece(place, first, count))
                        close()
                        first, key_time = count, found.time
                    count += 1
        except ValueError as fault:
            raise ValueError(f"the part at byte {place.offset} is damaged: {fault}") from fault
        if first is not None and count > first:
            pieces.append(Piece(place, first, count))
    close()
    if about is None or topics.RAM not in channels:
        return None
    return Found(about, groups, channels[topics.RAM])
