"""Where the memory in a recording's file lies: key images, what changed since them, and frames.

A recorder of ours writes each of them as an MCAP chunk of its own, whose index tells of which
channel its messages are; so nothing needs to be unpacked to know what there is.  Other programs
that copy, repair or filter an MCAP file may put the same messages into chunks of their own, or into
none: then each is a row of pieces, and every chunk is looked into once.
"""

from __future__ import annotations

import contextlib
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import BinaryIO

from adapters.recordings import chunk, topics
from adapters.recordings.chunk import ChunkMessage, ChunkPlace
from adapters.recordings.header import About, decode_about

__all__ = ["Contents", "Group", "Key", "Piece", "as_recorded", "by_looking", "messages"]


@dataclass(frozen=True, slots=True)
class Piece:
    """A chunk's messages of one channel: from number *first* on, up to *last* (one behind; None
    for all)."""

    place: ChunkPlace
    channel: int
    first: int = 0
    last: int | None = None


@dataclass(frozen=True, slots=True)
class Key:
    """The pieces of a key image, in order; ``time`` is that of the frame behind it."""

    pieces: tuple[Piece, ...]
    time: int


@dataclass(frozen=True, slots=True)
class Group:
    """Some frames in a row, which begin on what ``key`` and what follows it have.

    ``key`` is an index into the keys.  ``since`` holds what has changed since the key image, where
    that was written right before this group.  Times are in nanoseconds.
    """

    piece: Piece
    first_time: int
    key: int
    since: Piece | None

    @property
    def place(self) -> ChunkPlace:
        """The chunk of its frames."""
        return self.piece.place


@dataclass(frozen=True, slots=True)
class Contents:
    """What a recording was found to hold; ``channels`` are the numbers of its topics."""

    about: About
    keys: list[Key]
    groups: list[Group]
    channels: dict[str, int]


def messages(data: memoryview, channel: int | None = None) -> Iterator[ChunkMessage]:
    """The messages in a chunk's records, of one channel where it is given.

    Raises ValueError where one is damaged.
    """
    for opcode, content in chunk.records(data):
        if opcode == chunk.MESSAGE:
            found = chunk.message(content)
            if channel is None or found.channel == channel:
                yield found


class _Builder:
    """Puts keys and groups together from pieces that come in the file's order."""

    def __init__(self) -> None:
        self.keys: list[Key] = []
        self.groups: list[Group] = []
        self._key_pieces: list[Piece] = []
        self._key_time = 0
        self._since: Piece | None = None

    def add(self, topic: str, piece: Piece, time: int) -> None:
        if topic == topics.KEY:
            if self._key_pieces and time != self._key_time:
                self._key_pieces = []
            self._key_pieces.append(piece)
            self._key_time = time
        elif topic == topics.SINCE_KEY:
            self._since = piece
        else:
            if self._key_pieces:
                self.keys.append(Key(tuple(self._key_pieces), self._key_time))
                self._key_pieces = []
                self._since = None
            if self.keys:
                self.groups.append(Group(piece, time, len(self.keys) - 1, self._since))
            self._since = None


def as_recorded(stream: BinaryIO, places: list[ChunkPlace]) -> Contents | None:
    """The contents where the chunks are as our recorder ends them; only the first is unpacked.

    That chunk holds the channels and the message that says what is recorded.  None where it does
    not, or where a chunk's index is not there.  Raises ValueError where it is damaged, and OSError.
    """
    channels: dict[str, int] = {}
    said: list[ChunkMessage] = []
    with _place_told(places[0]):
        for opcode, content in chunk.records(chunk.unpacked(stream, places[0])):
            if opcode == chunk.CHANNEL:
                number, topic = chunk.channel_topic(content)
                channels[topic] = number
            elif opcode == chunk.MESSAGE:
                said.append(chunk.message(content))
    ours = {channels.get(topic): topic for topic in (topics.KEY, topics.SINCE_KEY, topics.RAM)}
    if None in ours or len(said) != 1 or said[0].channel != channels.get(topics.BRIDGE):
        return None
    build = _Builder()
    for place in places[1:]:
        told = place.channels
        if not told and place is places[-1]:
            # the file was cut off between a chunk and its index
            with _place_told(place):
                told = tuple({each.channel for each in messages(chunk.unpacked(stream, place))})
        found = [number for number in told if number in ours]
        if told and not found:
            continue
        if len(found) != 1:
            return None
        build.add(ours[found[0]], Piece(place, found[0]), place.first_time)
    with _place_told(places[0]):
        about = decode_about(bytes(said[0].data))
    return Contents(about, build.keys, build.groups, channels)


def by_looking(
    stream: BinaryIO, places: Iterable[ChunkPlace], outside: dict[str, int]
) -> Contents | None:
    """The contents however the messages are put into chunks; every chunk is unpacked once.

    *outside* are the numbers of the channels that are told of outside the chunks, by topic.
    Frames before the first key image are left out.  None where the channels of a recording are
    not there.  Raises ValueError where a chunk is damaged, and OSError.
    """
    channels = dict(outside)
    about: About | None = None
    build = _Builder()
    for place in places:
        run: tuple[str, Piece, int] | None = None
        counts: dict[int, int] = {}
        with _place_told(place):
            for opcode, content in chunk.records(chunk.unpacked(stream, place)):
                if opcode == chunk.CHANNEL:
                    number, topic = chunk.channel_topic(content)
                    channels[topic] = number
                if opcode != chunk.MESSAGE:
                    continue
                found = chunk.message(content)
                if about is None and found.channel == channels.get(topics.BRIDGE):
                    about = decode_about(bytes(found.data))
                for topic in (topics.RAM, topics.KEY, topics.SINCE_KEY):
                    if found.channel == channels.get(topic):
                        run = _longer(build, run, topic, place, found, counts)
        if run is not None:
            build.add(*run)
    if about is None or topics.RAM not in channels:
        return None
    return Contents(about, build.keys, build.groups, channels)


@contextlib.contextmanager
def _place_told(place: ChunkPlace) -> Iterator[None]:
    """What is wrong in a chunk is told with its place."""
    try:
        yield
    except ValueError as fault:
        raise ValueError(f"the part at byte {place.offset} is damaged: {fault}") from fault


def _longer(
    build: _Builder,
    run: tuple[str, Piece, int] | None,
    topic: str,
    place: ChunkPlace,
    found: ChunkMessage,
    counts: dict[int, int],
) -> tuple[str, Piece, int]:
    """The row of a channel's messages with one more, or a new row where another one ended."""
    at = counts.get(found.channel, 0)
    counts[found.channel] = at + 1
    follows = run is not None and run[0] == topic and topic != topics.SINCE_KEY
    if run is not None and follows and (topic != topics.KEY or run[2] == found.time):
        return topic, Piece(place, found.channel, run[1].first, at + 1), run[2]
    if run is not None:
        build.add(*run)
    return topic, Piece(place, found.channel, at, at + 1), found.time
