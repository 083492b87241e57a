"""All that a sheet tells of a set-up: builds, values, targets, steps, attempts, moves.

It is made of the bridge file and its schema alone, and has neither a date nor a path in it, so that
the same files give the same sheet.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from bridge.expressions import nodes
from bridge.expressions.arithmetic import degrees
from bridge.prepared import PreparedBuild, practice_expressions
from bridge.readings.reading import Watch
from bridge.sheet.half_meaning import LowHalfMeaning, NumberRun, high_meaning, low_meaning
from bridge.sheet.hits import Hits, hits_of
from bridge.sheet.making import recipe_of
from bridge.sheet.recipe import Recipe, Stored
from bridge.sheet.walk_tables import walks_json
from bridge.sheet.worked import Worked, worked_in
from bridge.solvers.turning_moves import moves_of
from bridge.solvers.turns import Move
from schemas.bridge_file import AttemptsTable, StepTable
from schemas.layout import Scalar
from schemas.loader import Bridge
from schemas.schema_file import Memory
from schemas.turn_table import MoveTable
from schemas.walk_table import WalksTable

__all__ = ["BuildFacts", "Entry", "MoveFacts", "Sheet", "sheet_of"]


@dataclass(frozen=True, slots=True)
class BuildFacts:
    """A build, what its memory holds that no other build's does, and where it counts frames.

    ``recognised`` are addresses with the bytes there and how messages show them.
    """

    name: str
    title: str
    recognised: tuple[tuple[int, bytes, str], ...]
    counter: tuple[str, int, int] | None

    def as_json(self) -> dict[str, Any]:
        """The object for ``--json``."""
        counter = None
        if self.counter is not None:
            text, address, size = self.counter
            counter = {"expression": text, "address": address, "size": size}
        return {
            "build": self.name,
            "title": self.title,
            "recognised": [
                {"address": address, "bytes": data.hex(" ").upper(), "shown": shown}
                for address, data, shown in self.recognised
            ],
            "counter": counter,
        }


@dataclass(frozen=True, slots=True)
class Entry:
    """A value to look at: a watch, or an expression of a step or of the attempts.

    ``name`` is the watch's, or ``steps.N.done`` and so on.  ``recipes`` are by build; ``worked``
    are additions of the first one.  ``low`` and ``high`` say what a target on half of a binary32
    means for the number.
    """

    name: str
    title: str
    watch: Watch
    recipes: Mapping[str, Recipe]
    worked: tuple[Worked, ...] = ()
    hits: Hits | None = None
    low: tuple[LowHalfMeaning, ...] = ()
    high: tuple[NumberRun, ...] = ()

    @property
    def recipe(self) -> Recipe:
        """That of the first build; those of the others differ in numbers alone."""
        return next(iter(self.recipes.values()))

    @property
    def stored(self) -> Stored | None:
        """How the value is stored, where one look gives it."""
        looks = self.recipe.looks
        return looks[-1].stored if looks else None

    def as_json(self) -> dict[str, Any]:
        """The object for ``--json``."""
        watch = self.watch
        return {
            "name": self.name,
            "label": watch.label,
            "group": watch.group,
            "expression": watch.expression,
            "type": watch.type.name,
            "show": watch.show,
            "recipes": {build: recipe.as_json() for build, recipe in self.recipes.items()},
            "worked": [each.as_json() for each in self.worked],
            "target": None if self.hits is None else self.hits.as_json(),
            "low_half": [each.as_json() for each in self.low],
            "high_half": [[run.first, run.last] for run in self.high],
        }


@dataclass(frozen=True, slots=True)
class MoveFacts:
    """A move that turns, and what it is."""

    move: Move
    doc: str

    @property
    def degrees(self) -> float:
        """What it turns by, or the angle that it faces."""
        return degrees(self.move.add if self.move.face is None else self.move.face)

    def as_json(self) -> dict[str, Any]:
        """The object for ``--json``."""
        move = self.move
        return {
            "move": move.name,
            "add": move.add if move.face is None else None,
            "set": move.face,
            "degrees": self.degrees,
            "frames": move.frames,
            "limit": move.limit,
            "doc": self.doc,
        }


@dataclass(frozen=True, slots=True)
class Sheet:
    """All that a sheet tells.  ``version`` is lowhalf's."""

    game: str
    name: str
    version: str
    memory: Memory
    builds: tuple[BuildFacts, ...]
    watches: tuple[Entry, ...]
    moments: tuple[Entry, ...]
    """The expressions of steps and attempts."""
    steps: tuple[StepTable, ...]
    attempts: AttemptsTable | None
    moves: tuple[MoveFacts, ...]
    walks: WalksTable | None
    functions: Mapping[str, tuple[str, str]]
    """By name, how a function of the formulas is called and what it gives."""

    def as_json(self) -> dict[str, Any]:
        """The object that ``lowhalf sheet --json`` prints."""
        attempts = self.attempts
        return {
            "game": self.game,
            "name": self.name,
            "version": self.version,
            "endian": self.memory.endian,
            "pointer_size": self.memory.pointer_size,
            "regions": [
                {
                    "name": region.name,
                    "start": region.start,
                    "size": region.size,
                    "mirrors": list(region.mirrors),
                }
                for region in self.memory.regions
            ],
            "builds": [build.as_json() for build in self.builds],
            "watches": [entry.as_json() for entry in self.watches],
            "moments": [entry.as_json() for entry in self.moments],
            "steps": [_step_json(step) for step in self.steps],
            "attempts": None
            if attempts is None
            else {
                "begins": attempts.begins,
                "succeeds": attempts.succeeds,
                "given_up": attempts.given_up,
                "keep": list(attempts.keep),
                "by_hand": attempts.by_hand,
            },
            "moves": [move.as_json() for move in self.moves],
            "walks": None if self.walks is None else walks_json(self.walks),
            "functions": [
                {"name": name, "form": form, "gives": gives}
                for name, (form, gives) in self.functions.items()
            ],
        }


def sheet_of(bridge: Bridge, prepared: Mapping[str, PreparedBuild], version: str) -> Sheet:
    """The sheet of a bridge for the builds that it is prepared for."""
    first = next(iter(prepared.values()))
    watches = tuple(_watch_entry(watch, prepared) for watch in first.watches)
    moments = tuple(
        _entry(name, _moment_title(bridge, name), _moment_watch(first, name, text), prepared)
        for name, text in practice_expressions(bridge.file).items()
    )
    return Sheet(
        game=bridge.schema.file.game.name,
        name=bridge.name,
        version=version,
        memory=first.layout.memory,
        builds=tuple(map(_build, prepared.values())),
        watches=watches,
        moments=moments,
        steps=bridge.file.steps,
        attempts=bridge.file.attempts,
        moves=_moves(first.layout.moves),
        walks=bridge.schema.file.walks,
        functions=_functions(first, (*watches, *moments)),
    )


def _build(prepared: PreparedBuild) -> BuildFacts:
    layout, counter = prepared.layout, prepared.counter
    return BuildFacts(
        layout.name,
        layout.title,
        tuple((each.address, each.data, each.shown) for each in layout.evidence),
        None if counter is None else (counter.name, counter.address, counter.size),
    )


def _watch_entry(watch: Watch, prepared: Mapping[str, PreparedBuild]) -> Entry:
    return _entry(watch.name, watch.title, watch, prepared, hits_of(watch))


def _entry(
    name: str,
    title: str,
    watch: Watch,
    prepared: Mapping[str, PreparedBuild],
    hits: Hits | None = None,
) -> Entry:
    recipes = {
        build: recipe_of(
            each.program,
            name,
            frozenset(known.name for known in each.watches),
            each.layout.pointer_size,
        )
        for build, each in prepared.items()
    }
    first = next(iter(prepared.values()))
    worked = worked_in(next(iter(recipes.values())), first.layout.memory)
    low: tuple[LowHalfMeaning, ...] = ()
    high: tuple[NumberRun, ...] = ()
    half = _half_of_single(first, name)
    if hits is not None and hits.ends and half is not None:
        if half:
            high = high_meaning(hits.ends)
        else:
            low = low_meaning(hits.ends)
    return Entry(name, title, watch, recipes, worked, hits, low, high)


def _half_of_single(prepared: PreparedBuild, name: str) -> bool | None:
    """Whether it is the high half of a binary32, or the low one; None where it is neither."""
    number = prepared.program.slots[prepared.program.watches[name]].number
    if not isinstance(number, nodes.Stored) or number.size != 2:
        return None
    leaf = number.leaf
    if not isinstance(leaf, Scalar) or not leaf.floating or leaf.size != 4:
        return None
    return number.text.startswith("high")


def _moment_title(bridge: Bridge, name: str) -> str:
    table, *rest = name.split(".")
    if table == "attempts":
        return f"Attempt {rest[0].replace('_', ' ')}"
    return f"Step {int(rest[0]) + 1}, {rest[1]}"


def _moment_watch(prepared: PreparedBuild, name: str, text: str) -> Watch:
    kind = prepared.program.slots[prepared.program.watches[name]].type
    return Watch(name, "", text, kind)


def _moves(tables: Mapping[str, MoveTable]) -> tuple[MoveFacts, ...]:
    return tuple(
        MoveFacts(move, table.doc)
        for move, table in zip(moves_of(tables), tables.values(), strict=True)
    )


def _functions(
    prepared: PreparedBuild, entries: tuple[Entry, ...]
) -> Mapping[str, tuple[str, str]]:
    """The functions that the formulas call, in the table's order."""
    formulas = " ".join(formula for entry in entries for formula in entry.recipe.formulas)
    return {
        name: (function.form, function.gives)
        for name, function in prepared.functions.items()
        if f"{name}(" in formulas
    }


def _step_json(step: StepTable) -> dict[str, Any]:
    window = step.window
    return {
        "name": step.name,
        "done": step.done,
        "begin": step.begin,
        "fail": step.fail,
        "hint": step.hint,
        "show": step.show,
        "window": None
        if window is None
        else {"after": window.after, "frames": list(window.frames)},
    }
