"""Reads a recording, one group at a time."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from adapters.recordings import chunk, topics
from adapters.recordings.about import About, decode_about
from adapters.recordings.chunk import ChunkMessage, ChunkPlace
from adapters.recordings.chunk_index import chunk_index
from adapters.recordings.frame_message import FrameKind, RecordedFrame, decode
from schemas.errors import SourceLost, SourceUnusable


@dataclass(frozen=True, slots=True)
class Recording:
    """A recording's file, what it says of itself and where its groups are.

    ``complete`` is false where the file was cut off: the groups are those that are whole.  The file
    is open only while something is read from it.
    """

    path: Path
    about: About
    groups: Sequence[ChunkPlace]
    complete: bool
    ram_channel: int

    def group_at(self, time: int) -> int:
        """The number of the group with the newest frame at or before *time*, in nanoseconds.

        It is the first group where *time* is before all frames.
        """
        after = bisect_right(self.groups, time, key=lambda place: place.first_time)
        return max(0, after - 1)

    def frames(self, group: int) -> list[RecordedFrame]:
        """The frames of a group, the key image first; only this part of the file is read.

        Raises SourceUnusable where it is damaged, SourceLost where the file is gone.
        """
        place = self.groups[group]
        name = f"recording {self.path.name}"
        try:
            with self.path.open("rb") as stream:
                data = chunk.unpacked(stream, place)
            frames = [
                decode(found.data, found.time)
                for found in _messages(data)
                if found.channel == self.ram_channel
            ]
            if not frames or frames[0].kind is not FrameKind.KEY:
                raise ValueError("expected a key image first")
        except OSError as error:
            raise SourceLost(
                f"{self.path} cannot be read ({error.strerror or error})", source=name
            ) from error
        except ValueError as error:
            raise SourceUnusable(
                f"the part at byte {place.offset} is damaged: {error}", source=name
            ) from error
        return frames


def open_recording(path: Path) -> Recording:
    """Find out what a recording holds, without reading its frames.

    Raises SourceUnusable where the file is no recording or holds no whole group, SourceLost where
    it is missing.
    """
    name = f"recording {path.name}"
    try:
        return _open(path)
    except FileNotFoundError as error:
        raise SourceLost(
            f"{path} is not there: is the path relative to the bridge file?", source=name
        ) from error
    except (PermissionError, IsADirectoryError) as error:
        raise SourceUnusable(f"{path} cannot be opened ({error.strerror})", source=name) from error
    except OSError as error:
        raise SourceLost(
            f"{path} cannot be read ({error.strerror or error})", source=name
        ) from error
    except ValueError as error:
        raise SourceUnusable(f"{path} is not a usable recording: {error}", source=name) from error


def _open(path: Path) -> Recording:
    with path.open("rb") as stream:
        size = stream.seek(0, 2)
        index = chunk_index(stream, size)
        if not index.places:
            raise ValueError("no part of it is whole")
        first = chunk.unpacked(stream, index.places[0])
    channels: dict[str, int] = {}
    about: About | None = None
    for opcode, content in chunk.records(first):
        if opcode == chunk.CHANNEL:
            number, topic = chunk.channel_topic(content)
            channels[topic] = number
        elif opcode == chunk.MESSAGE:
            message = chunk.message(content)
            if message.channel == channels.get(topics.BRIDGE):
                about = decode_about(bytes(message.data))
    if about is None or topics.RAM not in channels:
        raise ValueError(f"expected the channels {topics.BRIDGE} and {topics.RAM} at its start")
    groups = index.places[1:]
    if not groups:
        raise ValueError("it ends before its first frames are whole")
    return Recording(path, about, groups, index.complete, channels[topics.RAM])


def _messages(data: memoryview) -> list[ChunkMessage]:
    return [
        chunk.message(content) for opcode, content in chunk.records(data) if opcode == chunk.MESSAGE
    ]
