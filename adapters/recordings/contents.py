"""Where the memory in a recording's file lies: key images, what changed since them, and frames.

A recorder of ours writes each of them as an MCAP chunk of its own, whose index tells of which
channel its messages are; so nothing needs to be unpacked to know what there is.  Other programs
that copy, repair or filter an MCAP file may put the same messages into chunks of their own, or into
none: then each is a row of pieces, and every chunk is looked into once.
"""

from __future__ import annotations

import contextlib
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import BinaryIO

from adapters.recordings import chunk, topics
from adapters.recordings.chunk import ChunkMessage, ChunkPlace
from adapters.recordings.header import About, decode_about

__all__ = ["BESIDE", "Contents", "Group", "Key", "Piece", "as_recorded", "by_looking", "messages"]

_MEMORY = (topics.KEY, topics.SINCE_KEY, topics.RAM)
"""In the order in which messages of one time follow each other."""
BESIDE = (topics.GAPS, topics.MARKS)
"""Topics of what is told beside frames, wherever in the file it stands."""


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
    """What a recording was found to hold; ``channels`` are the topics of its channels' numbers, and
    ``beside`` the chunks with messages of each of the topics ``BESIDE``, whichever else they have.
    """

    about: About
    keys: list[Key]
    groups: list[Group]
    channels: dict[int, str]
    beside: Mapping[str, Sequence[ChunkPlace]]


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
    not, where a chunk's index is not there, or where they do not follow each other in time.  Raises
    ValueError where it is damaged, and OSError.
    """
    channels: dict[int, str] = {}
    said: list[ChunkMessage] = []
    with _place_told(places[0]):
        for opcode, content in chunk.records(chunk.unpacked(stream, places[0])):
            if opcode == chunk.CHANNEL:
                number, topic = chunk.channel_topic(content)
                channels[number] = topic
            elif opcode == chunk.MESSAGE:
                said.append(chunk.message(content))
    ours = {number: topic for number, topic in channels.items() if topic in _MEMORY}
    if sorted(ours.values()) != sorted(_MEMORY):
        return None
    if len(said) != 1 or channels.get(said[0].channel) != topics.BRIDGE:
        return None
    build, time = _Builder(), 0
    beside: dict[str, list[ChunkPlace]] = {topic: [] for topic in BESIDE}
    for place in places[1:]:
        told = place.channels
        if not told and place is places[-1]:
            # the file was cut off between a chunk and its index
            with _place_told(place):
                told = tuple({each.channel for each in messages(chunk.unpacked(stream, place))})
        for topic in {channels.get(number, "") for number in told} & beside.keys():
            beside[topic].append(place)
        found = [number for number in told if number in ours]
        if told and not found:
            continue
        if len(found) != 1 or place.first_time < time:
            return None
        time = place.last_time
        build.add(ours[found[0]], Piece(place, found[0]), place.first_time)
    with _place_told(places[0]):
        about = decode_about(bytes(said[0].data))
    return Contents(about, build.keys, build.groups, channels, beside)


def by_looking(
    stream: BinaryIO, places: Sequence[ChunkPlace], outside: Mapping[int, str]
) -> Contents | None:
    """The contents however the messages are put into chunks; every chunk is unpacked once.

    *outside* are the topics of the channels that are told of outside the chunks, by number.  What
    counts is when a message was, not where it stands.  Frames before the first key image are left
    out.  None where the channels of a recording are not there.  Raises ValueError where a chunk is
    damaged or there is more than one recording, and OSError.
    """
    channels = dict(outside)
    abouts: list[About] = []
    found: list[tuple[int, ChunkPlace, int, int]] = []
    for place in places:
        counts: dict[int, int] = {}
        with _place_told(place):
            for opcode, content in chunk.records(chunk.unpacked(stream, place)):
                if opcode == chunk.CHANNEL:
                    number, topic = chunk.channel_topic(content)
                    channels[number] = topic
                elif opcode == chunk.MESSAGE:
                    each = chunk.message(content)
                    at = counts[each.channel] = counts.get(each.channel, -1) + 1
                    of = channels.get(each.channel)
                    if of == topics.BRIDGE:
                        abouts.append(decode_about(bytes(each.data)))
                    elif of is None or of in BESIDE or of in _MEMORY:
                        found.append((each.time, place, each.channel, at))
    if not abouts or topics.RAM not in channels.values():
        return None
    if len(abouts) > 1:
        # the first frame of each is told by its key image alone
        raise ValueError(f"it holds {len(abouts)} recordings, expected one")
    build = _Builder()
    rows = [
        (_MEMORY.index(topic), *row)
        for row in found
        if (topic := channels.get(row[2], "")) in _MEMORY
    ]
    for run in _runs(sorted(rows, key=lambda row: (row[1], row[0]))):
        build.add(*run)
    beside: dict[str, dict[ChunkPlace, None]] = {topic: {} for topic in BESIDE}
    for _, place, number, _ in found:
        if (topic := channels.get(number, "")) in BESIDE:
            beside[topic][place] = None
    told = {topic: list(places) for topic, places in beside.items()}
    return Contents(abouts[0], build.keys, build.groups, channels, told)


def _runs(
    rows: Iterable[tuple[int, int, ChunkPlace, int, int]],
) -> Iterator[tuple[str, Piece, int]]:
    """Messages that follow each other in a chunk, as pieces with their topics and first times."""
    run: tuple[str, Piece, int] | None = None
    for rank, time, place, channel, at in rows:
        topic = _MEMORY[rank]
        if run is not None:
            piece = run[1]
            follows = (piece.place, piece.channel, piece.last) == (place, channel, at)
            # a key image is of one time, and each since-key stands for itself
            if follows and (topic == topics.RAM or (topic == topics.KEY and run[2] == time)):
                run = topic, Piece(place, channel, piece.first, at + 1), run[2]
                continue
            yield run
        run = topic, Piece(place, channel, at, at + 1), time
    if run is not None:
        yield run


@contextlib.contextmanager
def _place_told(place: ChunkPlace) -> Iterator[None]:
    """What is wrong in a chunk is told with its place."""
    try:
        yield
    except ValueError as fault:
        raise ValueError(f"the part at byte {place.offset} is damaged: {fault}") from fault
