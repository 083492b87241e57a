"""Reads a recording, one group at a time."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from adapters.file_opening import open_stream
from adapters.recordings import chunk, topics
from adapters.recordings.chunk_index import chunk_index, everything, written_by
from adapters.recordings.frame_message import FrameKind, RecordedFrame, decode
from adapters.recordings.groups import Group, groups_as_recorded, groups_by_looking, messages
from adapters.recordings.header import About
from schemas.errors import SourceLost, SourceUnusable
from schemas.system_words import HELD_WORDS, is_held, system_words

__all__ = ["Recording", "open_recording"]


@dataclass(frozen=True, slots=True)
class Recording:
    """A recording's file, what it says of itself and where its groups are.

    ``complete`` is false where the file was cut off: the groups are those that are whole.  The file
    is open only while something is read from it.
    """

    path: Path
    about: About
    groups: Sequence[Group]
    complete: bool
    ram_channel: int

    def group_at(self, time: int) -> int:
        """The number of the group with the newest frame at or before *time*, in nanoseconds.

        It is the first group where *time* is before all frames.
        """
        after = bisect_right(self.groups, time, key=lambda group: group.first_time)
        return max(0, after - 1)

    def frames(self, group: int) -> list[RecordedFrame]:
        """The frames of a group, the key image first; only this part of the file is read.

        Raises SourceUnusable where it is damaged, SourceLost where the file is gone.
        """
        name = f"recording {self.path.name}"
        frames: list[RecordedFrame] = []
        place = self.groups[group].pieces[0].place
        try:
            with open_stream(self.path) as stream:
                for piece in self.groups[group].pieces:
                    place = piece.place
                    data = chunk.unpacked(stream, place)
                    found = [m for m in messages(data) if m.channel == self.ram_channel]
                    frames += [decode(m.data, m.time) for m in found[piece.first : piece.last]]
            if not frames or frames[0].kind is not FrameKind.KEY:
                raise ValueError("expected a key image first")
        except OSError as fault:
            raise SourceLost(
                f"{self.path} cannot be read ({system_words(fault) or fault})", source=name
            ) from fault
        except ValueError as fault:
            raise SourceUnusable(
                f"the part at byte {place.offset} is damaged: {fault}", source=name
            ) from fault
        return frames


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
    with open_stream(path) as stream:
        size = stream.seek(0, 2)
        index = chunk_index(stream, size)
        if index.places and written_by(stream) == topics.LIBRARY:
            found = groups_as_recorded(stream, index.places)
        else:
            found = None
        if found is None:
            # not as our recorder wrote it: a copy by another program, say
            index = everything(stream, size)
            if not index.places:
                raise ValueError("no part of it is whole")
            found = groups_by_looking(stream, index.places, index.channels)
    if found is None:
        raise ValueError(f"expected the channels {topics.BRIDGE} and {topics.RAM}")
    if not found.groups:
        raise ValueError("it ends before its first frames are whole")
    return Recording(path, found.about, found.groups, index.complete, found.ram_channel)
