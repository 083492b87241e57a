"""``lowhalf learn next``: the shortest experiment that tells what is left apart."""

from __future__ import annotations

import argparse
from collections.abc import Mapping, Sequence
from pathlib import Path

from adapters.commands.console.dump_arguments import one_dump
from adapters.commands.console.one_frame import take_heap
from adapters.commands.console.until_stopped import StopSignals
from adapters.commands.learning.gathering import Gathered, Progress, gather
from adapters.functions import installed_functions
from adapters.json_forms.learned import experiment_json
from adapters.printable import json_text, printable
from adapters.sessions.added_watches import with_watches
from adapters.sessions.one_frame import with_dump
from bridge.planning.actions import Action
from bridge.planning.arena import HOLE, Cell
from bridge.planning.described import described
from bridge.planning.learning.experiment import (
    Experiment,
    Rival,
    aged_cells,
    here_of,
    next_experiment,
    rivals_of,
)
from bridge.prepared import prepare
from schemas.errors import LowhalfError
from schemas.loader import Bridge

__all__ = ["learn_next"]

_SHOWN = 16
"""Ways that are told by themselves."""
_NAMED = 4


def learn_next(arguments: argparse.Namespace, path: Path) -> int:
    """0 where an experiment was found or none is needed; 1 where nothing tells them apart; 4 where
    time was over before that was sure."""
    gathered = gather(arguments, path)
    learned = gathered.learned
    if not learned.models:
        raise LowhalfError("no way to allocate explains what was seen: lowhalf learn tells more")
    build, cells, play, states = _here(arguments, gathered)
    known = _known(gathered, build)
    rivals = rivals_of(learned, build, cells, known, play)
    with StopSignals() as signals:
        progress = Progress(arguments.seconds, signals)

        def go_on(length: int, looked_at: int) -> bool:
            return progress(lambda: f"sequences of {length} actions: {looked_at} looked at")

        found = next_experiment(rivals, states, arguments.actions, go_on)
    frames = {action.name: action.frames for rival in rivals for action in rival.actions}
    if arguments.json:
        print(json_text(experiment_json(found, rivals, frames)))
    else:
        _print(found, rivals, frames, arguments.actions)
    if found.actions or len({rival.words for rival in rivals}) < 2:
        return 0
    return 4 if found.cut_short else 1


def _here(
    arguments: argparse.Namespace, gathered: Gathered
) -> tuple[str, tuple[Cell, ...], int | None, Mapping[str, int]]:
    """The build and the heap to begin from, the number of the play of which it is the end, and the
    states there."""
    learned = gathered.learned
    dump = one_dump(arguments)
    if dump is None:
        number = len(learned.plays) - 1
        play = learned.plays[number]
        return play.build, here_of(play, learned.ages), number, play.states
    bridge = with_dump(gathered.bridge, dump, arguments.format)
    bare = bridge.file.model_copy(update={"watches": (), "steps": (), "attempts": None})
    bridge = Bridge(bare, bridge.text, bridge.schema)
    state = bridge.schema.file.state
    bridge = with_watches(bridge, state.values(), installed_functions())
    frame, heap = take_heap(bridge, prepare(bridge, installed_functions()), 10.0, arguments.frame)
    own = heap.named(gathered.heap)
    assert own is not None
    if own.damaged is not None or not own.blocks:
        raise LowhalfError(f"{dump}: the heap cannot be begun from: {own.damaged or own.empty}")
    if frame.build not in learned.geometries:
        raise LowhalfError(
            f"{dump} is of {frame.build}, of which there is no recording to learn sizes from"
        )
    read = {name: frame[text].value for name, text in state.items()}
    states = {name: value for name, value in read.items() if isinstance(value, int)}
    return frame.build, aged_cells(own, {}), None, states


def _known(gathered: Gathered, build: str) -> dict[str, Action]:
    """Actions as the schema has them, where it has an allocator."""
    if gathered.heap not in gathered.bridge.schema.builds[build].allocators:
        return {}
    prepared = prepare(gathered.bridge, installed_functions())[build]
    return {action.name: action for action in described(prepared, gathered.heap).actions}


def _print(
    found: Experiment,
    rivals: Sequence[Rival],
    frames: Mapping[str, int],
    length: int,
) -> None:
    models = {rival.words: rival for rival in rivals}
    if len(models) < 2:
        print("one way to allocate is left, and one way for each action: there is nothing to ask")
        return
    print(f"{len(models)} ways are left:")
    for words, rival in list(models.items())[:_SHOWN]:
        print(f"  {printable(words)}: {printable(rival.about)}")
    if len(models) > _SHOWN:
        print(f"  and {len(models) - _SHOWN} more")
    print()
    if not found.actions:
        if found.cut_short:
            print(
                f"cut short: they differ in nothing that {found.length} "
                f"actions can do from here; longer sequences were not all looked at"
            )
        else:
            silent = list(dict.fromkeys(rivals[number].words for number in found.unpredictable))
            alike = "" if silent else ": plans are alike"
            print(f"these differ in nothing that {length} actions can do from here{alike}")
            if silent:
                some = f"{'; '.join(silent[:_NAMED])}{' …' if len(silent) > _NAMED else ''}"
                print(f"as far as can be said: not all is known that {printable(some)} would need")
        return
    total = sum(frames.get(name, 0) for name in found.actions)
    print(f"do: {printable(', then '.join(found.actions))}  (about {total} frames)")
    if found.may_fail:
        print("under some of them an action cannot be done; the heap then stays as it is")
    for numbers, cells in zip(found.classes, found.predicted, strict=True):
        named = list(dict.fromkeys(rivals[number].words for number in numbers))
        more = f" and {len(named) - _NAMED} more" if len(named) > _NAMED else ""
        print(f"{printable('; '.join(named[:_NAMED]))}{more}:")
        print(f"  {printable(_layout(cells))}")


def _layout(cells: Sequence[Cell]) -> str:
    return "  ".join(
        f"{'free' if cell.kind == HOLE else cell.kind}@0x{cell.start:08X}" for cell in cells
    )
