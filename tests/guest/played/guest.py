"""A played guest: a game that does a player's actions when told to, and what its heap is like then.

``courier.c`` beside this is what the game does; the schema's ``[actions]`` say the same.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Sequence
from enum import IntEnum
from pathlib import Path

from adapters.recordings.changed_lines import changed_lines
from adapters.recordings.header import About
from adapters.recordings.recorder import Parts, Recorder
from bridge.evaluation.evaluator import Evaluator
from bridge.expressions.compiling import check
from bridge.heap.blocks import Heap
from bridge.memory.address_map import Span
from bridge.memory.image import Image
from bridge.ports.source import Consistency
from bridge.prepared import memory_map
from schemas.compiler import load_schema
from schemas.loader import Bridge, load_bridge
from tests.benchmarks.live_heap import SCHEMA, summary
from tests.guest.build import BUILDS
from tests.guest.machine import RAM_SIZE, RAM_START, GuestMachine, GuestMachineError

ACTIONS = (
    *("lantern_door", "gallery_door", "harbour_door", "stair_door", "call_gull", "whistle"),
    *("shoo_gull", "relieve_watch", "drop_crate", "break_crate", "unload", "moor_buoy"),
    *("sink_buoy", "light_mist", "clear_mist", "take_lantern", "put_down", "throw_lantern"),
)
"""The first is the game's number 1."""

PLAYED_AT = 0x8030_0000
"""Where the game keeps what played.h says, on every build."""

_COMMAND_AT, _HOLD_AT = 0x04, 0x14
_IN_ONE_FRAME, _SPREAD = 0x100, 0x200
_RATE = 60


SYMBOLS = {
    "played_action": ("u32", 0x00),
    "played_begun": ("u32", 0x04),
    "played_ended": ("u32", 0x08),
    "played_rover": ("u32", 0x18),
    "played_free_list": ("FreeBlock*", 0x1C),
}
"""What ``played_schema`` adds to the game's schema: name → type, and bytes behind PLAYED_AT."""


SMALL_ARENA = 0x2000
"""Bytes that the guests with another allocator have, so that they can be full."""

_FREE_BLOCK = """[structs.FreeBlock]
size = 0x18
[structs.FreeBlock.fields]
newer = { at = 0x10, type = "FreeBlock*", doc = "released after it" }
older = { at = 0x14, type = "FreeBlock*" }
"""
_ALLOCATORS: dict[str, dict[str, str]] = {
    "next_fit": {"fit": '"next"', "rover": '"played_rover if played_rover != 0 else heap_end"'},
    "recent_order": {"order": '"recent"'},
    "joined_when_full": {"merge": '"when full"'},
    "best_fit": {"fit": '"best"'},
    "from_the_end": {"carved_from": '"high"'},
    "two_ends": {},
}


def played_schema(path: Path, allocator: str | None = None) -> Path:
    """Writes the game's schema with what a played game says of itself; gives *path*.

    *allocator* is that of a guest that has another one: its ``[allocator]`` says its rules.
    """
    text = SCHEMA.read_text("utf-8")
    types = "".join(f'{name} = "{type}"\n' for name, (type, _) in SYMBOLS.items())
    places = "".join(f"{name} = {PLAYED_AT + at:#x}\n" for name, (_, at) in SYMBOLS.items())
    text = text.replace("[structs.Room]\n", f"{_FREE_BLOCK}[structs.Room]\n")
    text = text.replace("[symbols]\n", f"[symbols]\n{types}")
    for build in BUILDS:
        head = f"[builds.{build.name}.at]\n"
        text = text.replace(head, head + places)
        if allocator is not None:
            base = build.arena_base
            head = f"[allocator.builds.{build.name}]\n"
            whole = f"arena = {{ from = {base:#x}, to = {base + SMALL_ARENA:#x} }}\n"
            text = re.sub(re.escape(head) + r"arena .*\n", head + whole, text)
    if allocator is not None:
        for key, value in _ALLOCATORS[allocator].items():
            text = re.sub(rf"(?m)^{key} +=.*\n", "", text)
            text = text.replace("[allocator]\n", f"[allocator]\n{key} = {value}\n")
    if allocator == "recent_order":
        more = """, "chain(played_free_list, 'older')"]"""
        text = re.sub(r"(?m)^(newest_first = .*)\]$", lambda found: found[1] + more, text)
    if allocator == "two_ends":
        text = text.replace('{ alloc = "mist_puff"', '{ alloc = "mist_puff", end = "high"')
    path.write_text(text, "utf-8")
    return path


def unlearned_schema(path: Path, allocator: str | None = None) -> Path:
    """As ``played_schema``, but with nothing of how blocks are handed out or what actions do to the
    heap: only what is in hand, and in which frames of a recording each action was done.
    """
    text = played_schema(path, allocator).read_text("utf-8")
    held = re.search(r"(?m)^held +=.*courier.*\n", text)
    assert held is not None
    bare = f"[allocator]\n{held[0]}\n"
    text = re.sub(r"(?ms)^\[allocator\]\n.*?(?=^\[state\])", lambda _: bare, text)
    text = re.sub(r"(?ms)^effects *= \[.*?\]\n(?=\n|#|\[)", "", text)
    for number, action in enumerate(ACTIONS, 1):
        when = f"change(played_begun) > 0 and played_action == {number}"
        head = f"[actions.{action}]\n"
        text = text.replace(head, f'{head}when = "{when}"\n')
    path.write_text(text, "utf-8")
    return path


class Standing(IntEnum):
    """What became of an action; FAILED is that the heap was full in the midst of it."""

    UNDER_WAY = 0
    DONE = 1
    REFUSED = 2
    FAILED = 3


class PlayedGuest(GuestMachine):
    """A played game, which stands still whenever it is not told to do something.

    ``schema`` is what its memory is read by.
    """

    def __init__(
        self, elf: Path, directory: Path, *, schema: Path = SCHEMA, timeout_seconds: float = 60.0
    ) -> None:
        super().__init__(elf, directory, timeout_seconds=timeout_seconds)
        self.schema = schema
        compiled = load_schema(schema)
        self._layout, self._memory = compiled.builds[elf.stem], memory_map(compiled)
        self._program = check(self._layout, {"blocks": "len(blocks())"})
        self.begin()

    def begin(self) -> None:
        """The game from its start: in the Lantern Room, whose five things stand there."""
        self.command("idle", load="swift", hold_at=1)

    def step(self) -> int:
        """One frame, in which nothing is done; gives its number."""
        return self._one_frame()

    def perform(self, action: str) -> Standing:
        """All of an action in one frame."""
        return self._last(self.performing(action, _IN_ONE_FRAME))

    def spread(self, action: str) -> Iterator[Standing]:
        """An action whose effects have a frame each: after each frame, what became of it."""
        return self.performing(action, _SPREAD)

    def performing(self, action: str, way: int) -> Iterator[Standing]:
        """What became of an action, after each of its frames."""
        ended = self._played(2)
        self._write_u32(self.symbols["mailbox"] + _COMMAND_AT, way + ACTIONS.index(action) + 1)
        while True:
            self._one_frame()
            yield self.standing
            if self._played(2) != ended:
                return

    @property
    def standing(self) -> Standing:
        """What became of the last action."""
        return Standing(self._played(3))

    @property
    def effects(self) -> int:
        """Blocks that were handed out and released since the game began."""
        return self._played(4)

    @property
    def room(self) -> int:
        """The index of the room in which the courier is."""
        return int.from_bytes(self.read(self.read_symbol_u32("current_room") + 0x10, 2), "big")

    @property
    def rover(self) -> int:
        """The header where an allocator that goes on from there does so; 0 is the first one."""
        return self._played(6)

    def heap(self) -> Heap:
        """The heap as lowhalf walks it; the game's own walk and checksum must have come to it.

        Raises GuestMachineError where they differ.
        """
        evaluator = Evaluator(self._program, self._layout, self._memory, whole=True)
        parts = [self.read(span.address, span.length) for span in self._memory.whole()]
        evaluator.evaluate(Image.of(self._memory, parts), 1)
        heap = evaluator.heap()
        own = ("heap_count", "heap_free_bytes", "heap_checksum")
        expected = tuple(self.read_symbol_u32(name) for name in own)
        if heap.damaged is not None or summary(heap) != expected:
            raise GuestMachineError(
                f"lowhalf walks {summary(heap)}, the game {expected}; damaged: {heap.damaged}"
            )
        return heap

    def record(self, path: Path, actions: Sequence[str], rest: int = 2) -> list[int]:
        """Records the game from its start, doing so many actions, *rest* frames apart.

        Gives the frame of each action.  A bridge file is written beside *path*, under its name with
        the ending ``.bridge.toml``.  Labels are in the game's memory, by a schema that
        ``played_schema`` wrote: ``change(played_begun) > 0 and played_action == 5`` is where the
        fifth of ACTIONS was done.  A refused action is an error, since nobody would label it.
        """
        self.begin()
        number = first = self.read_symbol_u32("frame_ended")
        frames, before = [], b""
        source = f'kind = "recording"\npath = {json.dumps(path.name)}'
        bridge = self._bridge(path.with_suffix(".bridge.toml"), source)
        about = About.of(bridge, self.elf.stem, "Tidewright, played")
        with Recorder(path, about) as recorder:

            def take() -> None:
                nonlocal before
                image = self.read(RAM_START, RAM_SIZE)
                whole: Parts = [(Span(RAM_START, RAM_SIZE), image)]
                parts = changed_lines(RAM_START, before, image) if before else whole
                seconds = (number - first) / _RATE
                recorder.frame(number, seconds, Consistency.GUARDED, parts)
                before = image

            take()
            for action in actions:
                for _ in range(rest):
                    number = self.step()
                    take()
                if (standing := self.perform(action)) is not Standing.DONE:
                    raise GuestMachineError(f"{action} is {standing.name.lower()}")
                number = self.read_symbol_u32("frame_ended")
                frames.append(number)
                take()
        return frames

    def live_bridge(self, directory: Path) -> Bridge:
        """A bridge to the running game."""
        source = f'kind = "shared"\npath = {json.dumps(str(self.ram_path))}'
        return self._bridge(directory / "live.bridge.toml", source)

    def _bridge(self, path: Path, source: str) -> Bridge:
        path.write_text(
            f"schema = {json.dumps(str(self.schema))}\n[source]\n{source}\n"
            '[sampling]\nframe = "frame_began"\n'
            'guard = { began = "frame_began", ended = "frame_ended" }\n'
            '[[watches]]\nname = "room"\nexpr = "current_room.name"\n',
            "utf-8",
        )
        return load_bridge(path)

    def _one_frame(self) -> int:
        # hold_at alone: a sequence number beside it could be read first
        number = self.read_symbol_u32("frame_ended") + 1
        at = self.read_symbol_u32("script_frame") + 1
        self._write_u32(self.symbols["mailbox"] + _HOLD_AT, at)
        return self.wait_for_frame(number)

    def _played(self, word: int) -> int:
        return self.read_u32(PLAYED_AT + 4 * word)

    @staticmethod
    def _last(standings: Iterator[Standing]) -> Standing:
        *_, last = standings
        return last
