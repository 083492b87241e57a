"""Where a plan starts from: a frame of the source, dumps of several builds, or a file."""

from __future__ import annotations

import argparse
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import Any

from adapters.commands.console.dump_arguments import given_dumps
from adapters.commands.console.one_frame import take_frame
from adapters.functions import installed_functions
from adapters.sessions.bridge_file import load_bridge
from adapters.sessions.one_frame import with_dump
from bridge.heap.blocks import Block, Heap
from bridge.memory.address_map import MemoryMap
from bridge.planning.ages import unknown_ages
from bridge.planning.arena_of_heap import arena_of_heap
from bridge.planning.described import Described, described
from bridge.planning.made_for import differs, made_for
from bridge.planning.model import Start
from bridge.planning.plan_record import starts_of
from bridge.planning.several_builds import KnownBuild, SetOut, set_out
from bridge.planning.start_of_frame import start_of
from bridge.planning.wishes import Leading, Wish, asking_build, leading
from bridge.prepared import PreparedBuild, memory_map, prepare
from bridge.readings.frame import Frame
from schemas.errors import LowhalfError, PlanFileError, PlanningError
from schemas.layout_file import LayoutFile, load_layout
from schemas.loader import Bridge
from schemas.plan_file import PlanFile, load_plan
from schemas.toml_file import nearest

__all__ = ["Beginning", "Described", "Schemed", "begin", "schemed"]


@dataclass(frozen=True)
class Schemed:
    """A bridge file and what its schema says of each build that a plan may be for."""

    bridge: Bridge
    prepared: Mapping[str, PreparedBuild]
    described: Mapping[str, Described]
    watches: Mapping[str, str]
    """The bridge's watches: name → expression."""


@dataclass(frozen=True)
class Beginning:
    """How things stand on every build; ``unsure`` is what is not known of ages, as sentences."""

    set_out: SetOut
    states: Mapping[str, int]
    unsure: Sequence[str]


def schemed(arguments: argparse.Namespace) -> Schemed:
    """The bridge file with what its schema says of planning.  Raises LowhalfError."""
    bridge = load_bridge(arguments.bridge, layouts=False)
    watches = {watch.name: watch.expr for watch in bridge.file.watches}
    # without what may name files that are yet to be made
    bare: dict[str, Any] = {"steps": (), "attempts": None, "watches": ()}
    file = bridge.file.model_copy(update={**bare, "layouts": {}, "plan": None})
    every = file.model_copy(update={"build": "auto"})
    prepared = prepare(Bridge(every, bridge.text, bridge.schema), installed_functions())
    if arguments.build is not None:
        _check_builds([arguments.build], prepared)
        file = file.model_copy(update={"build": arguments.build})
    found = {name: described(each, arguments.heap) for name, each in prepared.items()}
    return Schemed(Bridge(file, bridge.text, bridge.schema), prepared, found, watches)


def begin(arguments: argparse.Namespace, of: Schemed, wishes: Sequence[Wish]) -> Beginning:
    """How things stand on every build that the plan is for.

    Raises LowhalfError and its kinds; SourceError and its leaves.
    """
    leads = _Leads(of, wishes)
    reading = _Reading(arguments, of, wishes, leads)
    known = reading.known()
    builds = _builds(arguments, of, known)
    games = {build: of.described[build].game for build in builds}
    found = set_out(
        wishes,
        {build: leads[build] for build in builds},
        {build: each for build, each in known.items() if build in builds},
        games,
        {build: of.described[build].bounds for build in builds},
    )
    return Beginning(found, reading.states, list(reading.unsure))


def _check_builds(names: Sequence[str], known: Mapping[str, object]) -> None:
    for name in names:
        if name not in known:
            raise LowhalfError(f"the schema has no build {name}{nearest(name, known)}")


def _builds(
    arguments: argparse.Namespace, of: Schemed, known: Mapping[str, KnownBuild]
) -> list[str]:
    """The builds that the plan is for, those that were read first."""
    if arguments.builds is None:
        return list(known)
    if arguments.builds == "all":
        named = list(of.described)
    else:
        named = [name.strip() for name in arguments.builds.split(",")]
        _check_builds(named, of.described)
    if not any(build in known for build in named):
        raise LowhalfError(
            f"--builds {arguments.builds}: what was read is {', '.join(known)}, none of these"
        )
    return [*(build for build in known if build in named), *(b for b in named if b not in known)]


@dataclass
class _Leads(Mapping[str, Sequence[Leading]]):
    """Where each wish leads, by build."""

    of: Schemed
    wishes: Sequence[Wish]
    found: dict[str, Sequence[Leading]] = field(default_factory=dict)

    @cached_property
    def watches(self) -> dict[str, str]:
        """Those of the bridge's watches that the wishes name, and those that these name."""
        return _named(self.of.watches, [wish.where for wish in self.wishes])

    def __getitem__(self, build: str) -> Sequence[Leading]:
        if build not in self.found:
            prepared, watches = self.of.prepared[build], self.watches
            self.found[build] = [leading(prepared, watches, wish) for wish in self.wishes]
        return self.found[build]

    def __iter__(self) -> Iterator[str]:
        return iter(self.of.prepared)

    def __len__(self) -> int:
        return len(self.of.prepared)


@dataclass
class _Reading:
    """What is read: the start of at least one build, the states, what is not known of ages."""

    arguments: argparse.Namespace
    of: Schemed
    wishes: Sequence[Wish]
    leads: _Leads
    states: dict[str, int] = field(default_factory=dict)
    unsure: dict[str, None] = field(default_factory=dict)

    def known(self) -> dict[str, KnownBuild]:
        """What is known of each build that was read."""
        if self.arguments.start is not None:
            return self._from_file(self.arguments.start)
        if self.arguments.state:
            raise LowhalfError("--state goes with --from; a source has the states itself")
        found: dict[str, KnownBuild] = {}
        first = ""
        dumps: Sequence[Path | None] = given_dumps(self.arguments) or [None]
        for dump in dumps:
            frame = self._frame(dump)
            build = frame.build
            words = f"{frame.source}, frame {frame.number}"
            if build in found:
                raise LowhalfError(
                    f"{words} is of {build}, as is {found[build].taken_from}: give one dump a build"
                )
            begun = start_of(frame, self.of.described[build])
            if found and dict(begun.states) != self.states:
                raise PlanningError(
                    f"the states are {_told(self.states)} on {first} and "
                    f"{_told(begun.states)} on {build}: give dumps of one moment"
                )
            first, self.states = first or build, dict(begun.states)
            self._note(begun.unsure)
            found[build] = KnownBuild(begun.start, self._numbers(frame), words)
        return found

    def _frame(self, dump: Path | None) -> Frame:
        asked = with_dump(self.of.bridge, dump, self.arguments.format)
        named = self.of.bridge.file.build
        asking = {
            build: self._asking(build) for build in self.of.prepared if named in ("auto", build)
        }
        frame = take_frame(asked, asking, self.arguments.wait, self.arguments.frame)
        assert frame.heap is not None
        return frame

    def _asking(self, build: str) -> PreparedBuild:
        expressions = dict(self.of.described[build].expressions)
        for number, lead in enumerate(self.leads[build]):
            if lead.number:
                expressions[_wish(number)] = lead.number
        return asking_build(self.of.prepared[build], self.leads.watches, expressions)

    def _numbers(self, frame: Frame) -> list[int | None]:
        memory = memory_map(self.of.bridge.schema)
        found: list[int | None] = []
        for number, (wish, lead) in enumerate(
            zip(self.wishes, self.leads[frame.build], strict=True)
        ):
            if not lead.number:
                found.append(None)
                continue
            reading = frame[_wish(number)]
            if not reading.status.has_value or not isinstance(reading.value, int):
                raise PlanningError(f"{wish.given}: {reading.reason or reading.status}")
            found.append(_canonical(memory, reading.value))
        return found

    def _note(self, unsure: Mapping[str, str]) -> None:
        for action, words in unsure.items():
            self.unsure[f"{action}: {words}; it is not planned with where that decides"] = None

    def _from_file(self, path: Path) -> dict[str, KnownBuild]:
        if given_dumps(self.arguments):
            raise LowhalfError("--from and --dump are two starts: give one")
        if path.name.endswith(".plan.toml"):
            return self._from_plan(path)
        file = load_layout(path)
        self._check_game(file.game, path)
        _check_builds([file.build], self.of.described)
        what = self.of.described[file.build]
        self.states = _states(self.arguments.state, what.states, path)
        start, unsure = _layout_start(file, what, path)
        self._note(unsure)
        return {file.build: KnownBuild(start, self._unread(file.build), f"{path.name}")}

    def _from_plan(self, path: Path) -> dict[str, KnownBuild]:
        if self.arguments.state:
            raise LowhalfError("--state goes with a layout; a plan has its states itself")
        file = load_plan(path)
        self._check_game(file.game, path)
        _check_builds(list(file.start.builds), self.of.described)
        self._check_made_for(file, path)
        try:
            starts = starts_of(file, {n: each.game for n, each in self.of.described.items()})
        except ValueError as fault:
            raise PlanFileError(f"{fault}", file=str(path)) from None
        self.states = dict(file.start.states)
        known = next(iter(self.of.described.values())).states
        if set(self.states) != set(known):
            raise PlanFileError(
                f"has the states {', '.join(self.states) or 'none'}, the schema has "
                f"{', '.join(known) or 'none'}: it was made for another schema",
                file=str(path),
            )
        return {
            start.game.build: KnownBuild(start, self._unread(start.game.build), f"{path.name}")
            for start in starts
        }

    def _check_made_for(self, file: PlanFile, path: Path) -> None:
        """Other actions make no difference to where it starts, other sizes and rules do."""
        if file.heap != self.arguments.heap:
            raise PlanFileError(
                f"is a plan in {file.heap or '[heap]'}, expected one in "
                f"{self.arguments.heap or '[heap]'}; --heap names another",
                file=str(path),
            )
        described = self.of.described.values()
        now = made_for((), [each.game for each in described])
        for build in file.start.builds:
            words = differs(file.made_for.model_copy(update={"actions": now.actions}), now, build)
            if words:
                raise PlanFileError(words, file=str(path))

    def _check_game(self, found: str, path: Path) -> None:
        game = self.of.bridge.schema.file.game.name
        if found != game:
            raise LowhalfError(f'{path}: is of "{found}", expected "{game}"')

    def _unread(self, build: str) -> list[int | None]:
        for wish, lead in zip(self.wishes, self.leads[build], strict=True):
            if lead.number:
                raise LowhalfError(
                    f"{wish.given}: {lead.number} is in the game's memory, which a file does not "
                    "hold: give an address, or --dump in place of --from"
                )
        return [None for _ in self.wishes]


def _named(watches: Mapping[str, str], texts: Sequence[str]) -> dict[str, str]:
    found: dict[str, str] = {}
    pending = list(texts)
    while pending:
        for word in re.findall(r"\w+", pending.pop()):
            if word in watches and word not in found:
                found[word] = watches[word]
                pending.append(watches[word])
    return found


def _wish(number: int) -> str:
    return f"wish {number}"


def _told(states: Mapping[str, int]) -> str:
    return ", ".join(f"{name} = {value}" for name, value in states.items())


def _canonical(memory: MemoryMap, address: int) -> int:
    flat = memory.flat(address)
    return address if flat is None else memory.address(flat)


def _states(given: Sequence[str], known: Sequence[str], path: Path) -> dict[str, int]:
    """What ``--state`` says, of every state of the schema."""
    found: dict[str, int] = {}
    for text in given:
        name, _, number = text.partition("=")
        name = name.strip()
        if name not in known:
            hint = nearest(name, known)
            raise LowhalfError(f"--state {text}: the schema has no state {name}{hint}")
        try:
            found[name] = int(number.strip(), 0)
        except ValueError:
            raise LowhalfError(f"--state {text}: expected {name}=N, a whole number") from None
    lacking = [name for name in known if name not in found]
    if lacking:
        raise LowhalfError(
            f"{path}: a layout has no states: give --state {lacking[0]}=N"
            + (f", and of {', '.join(lacking[1:])}" if lacking[1:] else "")
        )
    return found


def _layout_start(file: LayoutFile, what: Described, path: Path) -> tuple[Start, Mapping[str, str]]:
    """The start that a layout file has, and what is not known of ages."""
    if what.bounds is None:
        raise LowhalfError(
            f"{path}: a layout does not say where its heap lies: give whole addresses as arena in "
            f"[allocator.builds.{file.build}]"
        )
    header = what.game.policy.header
    first = at = what.bounds[0] + header
    blocks: list[Block] = []
    for index, table in enumerate(file.blocks):
        if table.wildcard is not None or table.size is None or table.used is None:
            raise LowhalfError(
                f'{path}: block {index} is "{table.owner}" of any size, and a plan starts from '
                "one heap: give all blocks"
            )
        start = at if table.at is None else first + table.at
        blocks.append(Block(start, table.size, table.used, index, table.owner, start - header))
        at = start - header + what.game.policy.stride(table.size) + header
    heap = Heap(blocks, header_size=header, ageless="a layout tells no ages")
    arena = arena_of_heap(heap, what.game, what.bounds, what.actions)
    return Start(what.game, arena), unknown_ages(heap, what.game.policy, what.actions)
