"""The text of a starting bridge file, from what ``lowhalf attach`` found."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from adapters.commands.attaching.counting import Counting, frame_counter, frame_guard
from adapters.printable import printable
from bridge.memory.byte_order import ByteOrder
from schemas.compiler import Schema
from schemas.errors import LowhalfError
from schemas.seen_letters import toml_string

__all__ = ["OUTPUTS", "Attached", "bridge_text"]

OUTPUTS = '[outputs.overlay]\nlisten = "127.0.0.1:7365"\n'


@dataclass(frozen=True, slots=True)
class Attached:
    """A place that holds a known build: its ``[source]`` settings, and the evidence.

    ``where`` says in words where it is, ``counting`` which symbols were seen to count.
    """

    settings: Mapping[str, str | int]
    where: str
    build: str
    mark: str
    order: ByteOrder
    counting: Sequence[Counting]

    @property
    def kind(self) -> str:
        return str(self.settings["kind"])

    @property
    def lives(self) -> bool:
        """Whether a counter moved."""
        return bool(self.counting)

    def evidence(self) -> str:
        """One line: where, which build by which bytes, the order, and what counts."""
        frame = frame_counter(self.counting)
        moves = "no counter moves: is the game paused?"
        if frame is not None:
            moves = f"{frame.symbol} counts {frame.rate:.0f} a second"
        return f"{self.where}: build {self.build} by {self.mark}, byte order {self.order}, {moves}"


def bridge_text(schema: Schema, found: Attached, directory: Path) -> str:
    """A bridge file to be saved in *directory*."""
    lines = [
        f"# {_one_line(schema.file.game.name)}, found by lowhalf attach:",
        f"# {_one_line(found.evidence())}",
        f"schema = {_quoted(_relative(schema.path, directory))}",
        'build = "auto"',
        "",
        "[source]",
    ]
    for key, value in found.settings.items():
        lines.append(f"{key} = {value if isinstance(value, int) else _quoted(value)}")
    lines += ["", "[sampling]", *_sampling(schema, found), ""]
    lines += _watches(schema, found)
    return "\n".join(lines) + "\n" + OUTPUTS


def _sampling(schema: Schema, found: Attached) -> list[str]:
    names = [each.symbol for each in found.counting]
    guard = frame_guard(names)
    frame = frame_counter(found.counting)
    if guard is not None:
        began, ended = map(_quoted, guard)
        return [
            "# both were seen to count; the guard makes frames whole only if the game writes the",
            "# first before a frame's work and the second after it",
            f"frame = {began}",
            f"guard = {{ began = {began}, ended = {ended} }}",
        ]
    if frame is not None:
        return [
            f"# was seen to count {frame.rate:.0f} a second: see that it counts frames",
            f"frame = {_quoted(frame.symbol)}",
        ]
    guard = frame_guard(list(schema.builds[found.build].symbols))
    if guard is None:
        return ['# no counter was seen to move; name the game\'s own: frame = "…"']
    began, ended = map(_quoted, guard)
    return [
        "# neither was seen to move; if they count frames:",
        f"# frame = {began}",
        f"# guard = {{ began = {began}, ended = {ended} }}",
    ]


def _watches(schema: Schema, found: Attached) -> list[str]:
    guard = frame_guard([each.symbol for each in found.counting])
    frame = frame_counter(found.counting)
    symbol = guard[0] if guard else frame.symbol if frame else ""
    if not symbol:
        return ["# [[watches]]", '# name = "…"', '# expr = "…"', ""]
    name = "game_frame"
    while name in schema.file.symbols or name in schema.file.enums:
        name += "_"
    return ["[[watches]]", f"name = {_quoted(name)}", f"expr = {_quoted(symbol)}", ""]


def _relative(path: Path, directory: Path) -> str:
    try:
        return Path(os.path.relpath(path, directory)).as_posix()
    except ValueError:  # on another drive
        return path.absolute().as_posix()


def _quoted(text: str) -> str:
    """A TOML basic string; what cannot be seen is written as an escape.

    Raises LowhalfError for what no TOML can hold.
    """
    try:
        text.encode()
    except UnicodeEncodeError as fault:
        raise LowhalfError(
            f"{text} cannot stand in a bridge file, which is UTF-8: give it another name"
        ) from fault
    return toml_string(text)


def _one_line(text: str) -> str:
    """Text for a comment, which control characters would end or make invalid."""
    return printable(text)
