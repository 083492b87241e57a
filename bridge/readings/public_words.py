"""What a frame says to people who are not at this machine: viewers, and readers of a broker.

Its texts are made for the person at the machine, and so name files in full: a folder often holds
the user's own name.  To others a file is called by its name alone.  The paths that the source
itself uses are known and replaced as they stand, with whatever is in them; what else looks like a
path, as in an error of the system's, is found by its form.  What is asked of the person at the
machine, such as whether the emulator runs, is left out.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace

from bridge.readings.frame import Frame
from bridge.readings.reading import Reading

__all__ = ["public_frame", "public_text"]

_START = r"(?<![\w.:/\\~%<-])"
_ROOT = r"(?:~\w*/|/|\.{1,2}/|~?[A-Za-z]:[\\/]|\\\\|\.{1,2}\\)"
_QUOTED = re.compile(rf"(['\"])({_ROOT}.*?)\1")
_BARE = re.compile(rf"{_START}{_ROOT}[^\s'\"<>|,;]*[^\s'\"<>|,;:.?!)]")
_QUESTION = re.compile(r"[:,;] [^:;]*\?$")
_SEPARATOR = re.compile(r"[/\\]")
_FEWEST_PARTS = 2
"""Of a folder that is taken for one that tells something: / and /home tell nothing."""


def public_text(text: str, paths: Sequence[str] = ()) -> str:
    """*text* with each of *paths*, each folder that they are in, and every other path by its name.

    ``file tide.bin: /home/keeper/tide.bin is not there: is it mounted?`` becomes ``file tide.bin is
    not there``: a name that would stand there twice is told once, and a question at the end is none
    for others.
    """
    if not text:
        return text
    for path in _with_folders(paths):
        text = text.replace(path, _name(path))
    text = _QUOTED.sub(lambda found: f"{found[1]}{_name(found[2])}{found[1]}", text)
    text = _BARE.sub(lambda found: _name(found[0]), text)
    text = re.sub(r"^(\w+ (?P<name>[^:]+)): (?P=name)(?=[ ,:;]|$)", r"\1", text)
    return _QUESTION.sub("", text)


def public_frame(frame: Frame) -> Frame:
    """The frame with every text in it as :func:`public_text` gives it."""
    paths = frame.paths

    def make() -> Sequence[Reading]:
        return [
            replace(reading, reason=public_text(reading.reason, paths))
            if reading.reason
            else reading
            for reading in frame.readings
        ]

    practice = frame.practice
    if practice is not None:
        last = practice.last
        practice = replace(
            practice,
            reason=public_text(practice.reason, paths),
            last=last and replace(last, reason=public_text(last.reason, paths)),
        )
    plan = frame.plan
    if plan is not None:
        plan = replace(plan, reason=public_text(plan.reason, paths))
    return replace(
        frame,
        plan=plan,
        source=public_text(frame.source, paths),
        note=public_text(frame.note, paths),
        make_readings=make,
        practice=practice,
    )


def _with_folders(paths: Sequence[str]) -> list[str]:
    """The paths, and the folders that they are in, the longest first."""
    found: set[str] = set()
    for path in paths:
        ends = [place.start() for place in _SEPARATOR.finditer(path)]
        if not ends:
            continue
        found.add(path)
        folders = (path[:end] for end in ends)
        found.update(each for each in folders if len(_parts(each)) >= _FEWEST_PARTS)
    return sorted(found, key=len, reverse=True)


def _name(path: str) -> str:
    parts = _parts(path)
    return parts[-1] if parts else "a folder"


def _parts(path: str) -> list[str]:
    return [part for part in _SEPARATOR.split(path) if part]
