"""Every action of the schema tried on one frame's heap: what each would do, or why it cannot."""

from __future__ import annotations

import sys
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

from adapters.commands.console.heap_strip import strip
from adapters.commands.console.standard_streams import styled
from adapters.commands.console.tables import title
from adapters.commands.planning.stretched import Scale, scale_of_layouts
from adapters.printable import printable
from adapters.words.plans import cost_words, states_words
from bridge.planning.actions import Action
from bridge.planning.arena import HOLE, WALL, Arena, Cell
from bridge.planning.described import Described
from bridge.planning.laid_blocks import blocks_of
from bridge.planning.model import Task
from bridge.planning.simulation import Moment, NotPossible, begin, stages
from bridge.planning.start_of_frame import Begun, start_of
from bridge.readings.frame import Frame
from schemas.plan_file import BlockAt

__all__ = ["Simulated", "simulated"]

_STYLES = {True: "bold cyan", False: "dim", None: "yellow"}
_INDENT = 2


@dataclass(frozen=True, slots=True)
class _Change:
    """``event`` is released, handed out, held or let go; ``start`` is the payload's address."""

    event: str
    owner: str
    start: int


@dataclass(frozen=True, slots=True)
class _Trial:
    """An action with what it changes, in order; ``after`` is None where ``reason`` says why not."""

    action: Action
    reason: str
    changes: tuple[_Change, ...] = ()
    after: Moment | None = None


@dataclass(frozen=True, slots=True)
class Simulated:
    """All actions on the heap of one frame, each by itself."""

    frame: Frame
    described: Described
    begun: Begun
    trials: tuple[_Trial, ...]

    def as_json(self) -> dict[str, Any]:
        """The object that stands in ``check --json``."""
        return {
            "frame": self.frame.number,
            "build": self.frame.build,
            "states": dict(self.begun.states),
            "unsure": dict(self.begun.unsure),
            "layout": _laid(self._blocks(self.begun.start.arena)),
            "actions": [
                {
                    "action": trial.action.name,
                    "frames": trial.action.frames,
                    "precise": trial.action.precise,
                    "reason": trial.reason,
                    "changes": [
                        {"event": change.event, "owner": change.owner, "start": change.start}
                        for change in trial.changes
                    ],
                    "states": None if trial.after is None else dict(trial.after.states),
                    "layout": None if trial.after is None else _laid(self._after(trial.after)),
                }
                for trial in self.trials
            ],
        }

    def show(self) -> None:
        """Print the heap as it is, and each action with the heap as it would be after it."""
        from rich.console import Console

        # colours and the width are the terminal's; NO_COLOR and COLUMNS are obeyed
        console = Console(highlight=False, markup=False, emoji=False)
        arena = self.begun.start.arena
        layouts = [self._blocks(arena)]
        layouts += [self._after(trial.after) for trial in self.trials if trial.after is not None]
        header = self.described.game.policy.header
        scale = scale_of_layouts(layouts, (arena.low, arena.high), header)
        print(title(self.frame))
        for name, value in self.begun.states.items():
            print(printable(f"{name} is {value}"))
        _draw(console, scale, layouts[0])
        for trial in self.trials:
            action = trial.action
            if trial.after is None:
                print(printable(f"{action.name}: not possible here: {trial.reason}"))
                continue
            becomes = states_words(self.begun.states, trial.after.states)
            parts = [cost_words(action.frames, action.precise), becomes, action.doc]
            print(printable(f"{action.name}: {'; '.join(filter(None, parts))}"))
            for line in _lines(trial.changes):
                print(" " * _INDENT + printable(line))
            _draw(console, scale, self._after(trial.after))
        for name, reason in self.begun.unsure.items():
            print(printable(f"{name}: {reason}"))

    def _after(self, moment: Moment) -> tuple[BlockAt, ...]:
        return self._blocks(moment.arenas[self.frame.build])

    def _blocks(self, arena: Arena) -> tuple[BlockAt, ...]:
        return blocks_of(arena, self.described.game.policy)


def simulated(frame: Frame, described: Described) -> Simulated:
    """Try each action on the heap of a frame of ``planning_build``.  Raises PlanningError."""
    begun = start_of(frame, described)
    task = Task((begun.start,), begun.states, described.actions, ())
    moment = begin(task)
    trials = []
    for action in described.actions:
        try:
            after = stages(action, moment, task)
        except NotPossible as fault:
            trials.append(_Trial(action, str(fault)))
            continue
        arenas = [each.arenas[frame.build] for each in (moment, *after)]
        header = described.game.policy.header
        changes = tuple(
            change for one, other in pairwise(arenas) for change in _changes(one, other, header)
        )
        trials.append(_Trial(action, "", changes, after[-1]))
    return Simulated(frame, described, begun, tuple(trials))


def _changes(before: Arena, after: Arena, header: int) -> Iterator[_Change]:
    old, new = _used(before), _used(after)
    for event, cells in (("released", old.keys() - new), ("handed out", new.keys() - old)):
        for cell in sorted(cells, key=lambda cell: cell.start):
            yield _Change(event, cell.kind, cell.start + header)
    if before.held == after.held:
        return
    holds = {cell.start: cell for cell in new}
    was = {cell.start: cell for cell in old}
    if after.held is not None:
        yield _Change("held", holds[after.held].kind, after.held + header)
    elif before.held in holds:
        yield _Change("let go", was[before.held].kind, before.held + header)


def _used(arena: Arena) -> dict[Cell, None]:
    return dict.fromkeys(cell for cell in arena.cells if cell.kind not in (HOLE, WALL))


def _laid(blocks: Sequence[BlockAt]) -> list[Mapping[str, Any]]:
    return [
        {"start": block.start, "size": block.size, "used": block.used, "owner": block.owner}
        for block in blocks
    ]


def _lines(changes: Sequence[_Change]) -> Iterator[str]:
    """A line for each run of changes of one sort."""
    line, event = "", ""
    for change in changes:
        told = f"{change.owner} 0x{change.start:08X}"
        if change.event == event:
            line += f", {told}"
            continue
        if line:
            yield line
        event = change.event
        line = f"{event}: {told}"
    yield line or "the heap stays as it is"


def _draw(console: Any, scale: Scale, blocks: Sequence[BlockAt]) -> None:
    from rich.text import Text

    bar = strip(scale.as_blocks(blocks), console.width - _INDENT)
    with styled(sys.stdout):
        for row in bar.rows:
            text = Text(" " * _INDENT)
            for piece in row:
                text.append(piece.text, _STYLES[piece.used])
            console.print(text, soft_wrap=True)
    print()
