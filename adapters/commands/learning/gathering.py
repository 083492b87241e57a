"""From recordings to what is learned of them, within some time, with progress on the console."""

from __future__ import annotations

import argparse
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from adapters.commands.console.telling import tell, tell_watched
from adapters.commands.console.until_stopped import StopSignals, run_until_stopped
from adapters.functions import installed_functions
from adapters.sessions.bridge_file import load_bridge
from adapters.sessions.learning import labels_of, read_input_log, recorded_play
from adapters.system_clock import system_clock
from bridge.planning.actions import Action
from bridge.planning.described import described
from bridge.planning.learning.against import disagreements
from bridge.planning.learning.learned import Learned, learn
from bridge.planning.learning.marked import label_marked
from bridge.planning.learning.observed import Play
from bridge.planning.model import GameModel
from bridge.prepared import prepare
from schemas.compiler import BuildLayout
from schemas.errors import LowhalfError
from schemas.layout import size_of
from schemas.loader import Bridge
from schemas.toml_file import nearest

__all__ = ["Gathered", "Progress", "add_gathering_arguments", "disagreeing", "gather", "sizes_of"]

_EVERY = 2.0
"""Seconds between two lines of progress."""
_DOUBTS = 16
"""Words on marks of a recording that are told by themselves."""


def add_gathering_arguments(parser: argparse.ArgumentParser) -> None:
    """What both parts of the command take."""
    parser.add_argument(
        "--recording",
        type=Path,
        action="extend",
        nargs="+",
        metavar="REC",
        help="the recordings, of one build or of several",
    )
    parser.add_argument(
        "--inputs",
        type=Path,
        action="extend",
        nargs="+",
        metavar="CSV",
        help="for each recording, in their order, a CSV file with frame and action: what was done",
    )
    parser.add_argument(
        "--heap", metavar="NAME", help="learn of the heap [heaps.NAME] in place of [heap]"
    )
    parser.add_argument(
        "--spread",
        type=int,
        metavar="N",
        help="frames behind an action in which what it does still shows, if no table says it (0)",
    )
    parser.add_argument(
        "--seconds", type=float, default=120.0, metavar="S", help="time to learn (120)"
    )


class Progress:
    """Lines on a terminal now and then; *signals* may end it before the time has passed."""

    def __init__(self, seconds: float, signals: StopSignals | None = None) -> None:
        self._clock = system_clock()
        self._end = self._clock.now() + seconds
        self._next = self._clock.now() + _EVERY
        self._signals = signals

    def __call__(self, words: Callable[[], str]) -> bool:
        """Show what is being done; gives whether there is time left."""
        now = self._clock.now()
        if now >= self._next:
            self._next = now + _EVERY
            tell_watched(words())
        return now < self._end and not (self._signals is not None and self._signals.number)


@dataclass(frozen=True, slots=True)
class Gathered:
    """What was learned; ``names`` are the recordings', by play."""

    bridge: Bridge
    learned: Learned
    names: list[str]
    sizes: dict[str, dict[str, int]]
    heap: str = ""
    """The name of the heap; empty for ``[heap]``."""


def gather(arguments: argparse.Namespace, path: Path) -> Gathered:
    """Go through all recordings and learn.

    Raises LowhalfError, SourceError, ExpressionError and the errors of the files.
    """
    bridge = load_bridge(path)
    recordings: list[Path] = arguments.recording or []
    if not recordings:
        raise LowhalfError("expected --recording with the recordings to learn from")
    logs = [read_input_log(each) for each in arguments.inputs or ()]
    if logs and len(logs) != len(recordings):
        raise LowhalfError(
            f"expected an input log for each of {len(recordings)} recordings, found {len(logs)}"
        )
    heap = _heap(bridge, arguments.heap)
    labels = labels_of(bridge, heap)
    progress = Progress(arguments.seconds)
    plays: list[Play] = []
    for number, recording in enumerate(recordings):
        log = logs[number] if logs else {}

        def passed(frames: int, name: str = recording.name) -> None:
            progress(lambda: f"{name}: {frames} frames")

        plays += run_until_stopped(
            recorded_play(recording, bridge, labels, log, tell=tell, passed=passed)
        )
    plays = [play for play in plays if play.first is not None]
    if not plays:
        raise LowhalfError("no frame has a whole heap: lowhalf heap tells what is wrong with it")
    names = {action for log in logs for actions in log.values() for action in actions}
    names |= {mark.action for play in plays for mark in play.marks}
    if not labels.when and not names:
        tell(
            "no action is labelled: [learn] in the bridge file, when in the schema's [actions], "
            "marks or --inputs would tell what was done; the allocator alone is learned"
        )
    spread = dict.fromkeys(names, arguments.spread or 0) | {
        name: arguments.spread if arguments.spread is not None and not own else own
        for name, own in labels.spread.items()
    }
    for play in plays:
        doubts = list(label_marked(play, bridge.file.learn.within, spread))
        for words in doubts[:_DOUBTS]:
            tell(words)
        if len(doubts) > _DOUBTS:
            tell(f"{play.name}: of {len(doubts) - _DOUBTS} more marks something is not sure")
    sizes = {name: sizes_of(layout, heap) for name, layout in bridge.schema.builds.items()}
    with StopSignals() as signals:
        # Ctrl-C gives what is known so far
        progress = Progress(arguments.seconds, signals)
        learned = learn(plays, sizes, spread, lambda words: progress(lambda: words))
    return Gathered(bridge, learned, [play.name for play in learned.plays], sizes, heap)


def disagreeing(gathered: Gathered) -> list[str]:
    """What of the schema's own tables what was seen contradicts.  Raises SchemaError."""
    games: dict[str, GameModel] = {}
    actions: tuple[Action, ...] = ()
    prepared = prepare(gathered.bridge, installed_functions())
    for build in gathered.learned.geometries:
        if gathered.heap in prepared[build].layout.allocators:
            found = described(prepared[build], gathered.heap)
            games[build] = found.game
            # one whose effects are yet to be learned says nothing of them
            tables = prepared[build].layout.actions
            actions = tuple(
                action
                for action in found.actions
                if "effects" in tables[action.name].model_fields_set
            )
    return list(disagreements(gathered.learned, games, actions))


def sizes_of(layout: BuildLayout, heap: str) -> dict[str, int]:
    """Bytes that are asked for by kind in a heap, as far as the schema says."""
    allocator = layout.allocators.get(heap)
    if allocator is not None:
        return dict(allocator.sizes)
    found = next((each for each in layout.heaps if each.name == heap), None)
    if found is None:
        return {}
    return {name: size_of(struct) for name, struct in found.owner.structs.items()}


def _heap(bridge: Bridge, asked: str | None) -> str:
    """The name of the heap to learn from: the one that was asked for, else the schema's first."""
    names = [heap.name for layout in bridge.schema.builds.values() for heap in layout.heaps]
    if not names:
        raise LowhalfError("the schema describes no heap; add [heap] with block, first, next, …")
    if asked is None:
        return names[0]
    if asked not in names or not asked:
        hint = nearest(asked, [name for name in names if name])
        raise LowhalfError(f"--heap: there is no heap {asked}{hint}")
    return asked
