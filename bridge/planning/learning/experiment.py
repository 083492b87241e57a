"""The shortest experiment: known actions after which what is left would predict different heaps.

Every sequence of so many actions is looked at before longer ones, under each rival at once; so the
first that separates any two is a shortest one, and where none does up to a length, the rivals
differ in nothing that so many actions can do from here.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import combinations

from bridge.heap.blocks import Heap
from bridge.planning.actions import Action, Effect
from bridge.planning.allocation import NotKnown
from bridge.planning.arena import HOLE, Arena, Cell
from bridge.planning.learning.ages import Ages
from bridge.planning.learning.geometry import Geometry
from bridge.planning.learning.hidden import Hidden
from bridge.planning.learning.learned import Learned, policy_of
from bridge.planning.learning.models import policy_words
from bridge.planning.learning.observed import Play, cells_of
from bridge.planning.learning.tables import effects_text
from bridge.planning.model import GameModel, Start, Task
from bridge.planning.simulation import Moment, NotPossible, begin, perform

__all__ = [
    "MAX_RIVALS",
    "Experiment",
    "Rival",
    "Shape",
    "aged_cells",
    "here_of",
    "next_experiment",
    "rivals_of",
    "shape_of",
]

MAX_RIVALS = 48
_ALTERNATIVES = 6
"""Of an action whose effects are not sure, as many are tried beside the first."""

Shape = tuple[tuple[int, int, str], ...]
"""What of a heap is seen: start, stride and kind of each cell."""


@dataclass(frozen=True, slots=True)
class Rival:
    """One way in which all may be: a policy with the actions' effects, and the heap as it is now.

    ``words`` name it, and ``about`` says in what it differs from others.
    """

    words: str
    about: str
    game: GameModel
    actions: tuple[Action, ...]
    arena: Arena


@dataclass(slots=True)
class Experiment:
    """What to do next.

    ``actions`` are what to do, empty where nothing was found; ``classes`` are the rivals, by
    number, that predict the same heap behind it, and ``predicted`` that heap's cells, None where
    the action could not be done.  All sequences of up to ``length`` actions were looked at, whether
    or not time was left for more; ``unpredictable`` are rivals of which too little is known to say
    what some of it would come to.
    """

    actions: tuple[str, ...] = ()
    classes: list[list[int]] = field(default_factory=list)
    predicted: list[tuple[Cell, ...]] = field(default_factory=list)
    length: int = 0
    looked_at: int = 0
    cut_short: bool = False
    unpredictable: list[int] = field(default_factory=list)
    may_fail: bool = False
    """Whether an action of it could not be done under some of the rivals: the heap then stays."""


def here_of(play: Play, ages: Ages) -> tuple[Cell, ...]:
    """The cells of the last heap of a play, with the ages of its blocks as far as they are known.

    Blocks of which nobody knows which is older have the same.
    """
    assert play.last is not None
    number = next(n for n, each in enumerate(ages.plays) if each is play)
    births: dict[int, int] = {}
    there = {block.start for block in play.last.blocks if block.used}
    if play.changes:
        births = dict(ages.births(number, len(play.changes) - 1))
        births |= {
            event.block.start: len(play.changes) - 1
            for event in play.changes[-1].events
            if event.block.start in there and event.was is not event.block
        }
    return aged_cells(play.last, {s: born for s, born in births.items() if s in there})


def aged_cells(heap: Heap, births: Mapping[int, int]) -> tuple[Cell, ...]:
    """The cells of a heap with their ages: by what the schema says, else by *births*."""
    ages = dict(births)
    if heap.ages:
        oldest = max(age.rank for age in heap.ages.values())
        ages = {start: oldest - age.rank for start, age in heap.ages.items() if not age.among}
    by_cell = {min(block.header, block.start): block.start for block in heap.blocks}
    return tuple(
        cell if cell.kind == HOLE else replace(cell, age=ages.get(by_cell.get(cell.start, -1)))
        for cell in cells_of(heap)
    )


def rivals_of(
    learned: Learned,
    build: str,
    cells: tuple[Cell, ...],
    known: Mapping[str, Action],
    now: int | None,
) -> list[Rival]:
    """What is left, as rivals that stand at ``cells``.

    *known* are actions of which the schema says what they do, or what they need; *now* is the
    number of the play of which the cells are the end, None where they are of another heap.
    """
    seen: Geometry = learned.geometries[build]
    sizes = {kind: stride - seen.header for kind, stride in seen.strides.items()}
    found: list[Rival] = []
    for number, model in enumerate(learned.models):
        policy = policy_of(model, seen)
        effects = {
            each.name: [order.effects for order in each.by_model[number].found]
            for each in learned.actions
            if each.by_model and each.by_model[number].found
        }
        # what is in hand is no matter of a model
        effects |= {
            each.name: each.candidates
            for each in learned.actions
            if not each.by_model and not each.why
        }
        game = GameModel(build, policy, sizes)
        actions = {name: _action(name, ways[0], learned, known) for name, ways in effects.items()}
        actions |= {name: each for name, each in known.items() if name not in actions}
        hidden = model.now.get(now) if now is not None else None
        first = tuple(actions[name] for name in sorted(actions))
        for arena in _arenas(cells, hidden):
            about = policy_words(model.policy)
            found.append(Rival(f"model {number + 1}", about, game, first, arena))
        if number:
            continue
        for name, ways in effects.items():
            for at, other in enumerate(ways[1 : _ALTERNATIVES + 1], 2):
                changed = {**actions, name: _action(name, other, learned, known)}
                arena = found[0].arena
                turned = tuple(changed[each] for each in sorted(changed))
                about = f"{name} is {effects_text(other)}"
                found.append(Rival(f"{name} in way {at}", about, game, turned, arena))
    return found[:MAX_RIVALS]


def _action(
    name: str, effects: tuple[Effect, ...], learned: Learned, known: Mapping[str, Action]
) -> Action:
    if name in known:
        return replace(known[name], effects=effects)
    action = learned.action(name)
    frames = action.least if action is not None and action.least else 1
    return Action(name, frames, effects=effects)


def _arenas(cells: tuple[Cell, ...], hidden: frozenset[Hidden] | None) -> list[Arena]:
    """The heap with what it does not show, in every way that is known to be possible."""
    ways = list(hidden) if hidden else [Hidden(Arena(cells))]
    found: dict[Arena, None] = {}
    for each in ways:
        holes = {cell.start: cell.age for cell in each.arena.cells if cell.kind == HOLE}
        own = tuple(
            replace(cell, age=holes.get(cell.start)) if cell.kind == HOLE else cell
            for cell in cells
        )
        found.setdefault(Arena(own, each.arena.rover))
    return list(found)


@dataclass(frozen=True, slots=True)
class _Node:
    actions: tuple[str, ...]
    moments: tuple[Moment | None, ...]
    """By rival; None where it cannot be said any more."""


def next_experiment(
    rivals: Sequence[Rival],
    states: Mapping[str, int],
    length: int,
    go_on: Callable[[int, int], bool] = lambda length, looked_at: True,
) -> Experiment:
    """The shortest sequence of at most ``length`` actions that separates two rivals.

    Of equally short ones it is that after which most differ.  Where there is none of which every
    action can be done under all rivals, it is one in which some could not.  *go_on* is told how
    long the sequences are by now and how many were looked at; False ends it.
    """
    if len(rivals) < 2:
        return Experiment()
    sure = _searched(rivals, states, length, go_on, may_fail=False)
    if sure.actions or sure.cut_short:
        return sure
    found = _searched(rivals, states, length, go_on, may_fail=True)
    found.looked_at += sure.looked_at
    return found


def _searched(
    rivals: Sequence[Rival],
    states: Mapping[str, int],
    length: int,
    go_on: Callable[[int, int], bool],
    *,
    may_fail: bool,
) -> Experiment:
    found = Experiment(may_fail=may_fail)
    silent: set[int] = set()
    tasks = [Task((Start(rival.game, rival.arena),), states, rival.actions, ()) for rival in rivals]
    names = sorted({action.name for rival in rivals for action in rival.actions})
    actions = [{action.name: action for action in rival.actions} for rival in rivals]
    level = [_Node((), tuple(begin(task) for task in tasks))]
    limited = {each.name for rival in rivals for each in rival.actions if each.limit is not None}
    known = {_key(level[0], limited)}
    for depth in range(1, length + 1):
        following: list[_Node] = []
        best: tuple[int, Experiment] | None = None
        for node in level:
            for name in names:
                if not go_on(depth, found.looked_at):
                    found.cut_short = True
                    return best[1] if best else found
                found.looked_at += 1
                moments, shapes, refused = _performed(node, name, actions, tasks, rivals)
                silent.update(number for number, shape in enumerate(shapes) if shape is None)
                if refused and not may_fail:
                    continue
                said = {shape for shape in shapes if shape is not None}
                if len(said) > 1 and _separated(rivals, shapes):
                    if best is None or len(said) > best[0]:
                        done = (*node.actions, name)
                        best = len(said), _experiment(done, shapes, moments, rivals, depth)
                    continue
                if not said:
                    continue  # nobody can say what comes of it
                after = _Node((*node.actions, name), moments)
                key = _key(after, limited)
                if key not in known:
                    known.add(key)
                    following.append(after)
        if best is not None:
            best[1].looked_at, best[1].may_fail = found.looked_at, may_fail
            return best[1]
        found.length = depth
        found.unpredictable = sorted(silent)
        if not following:
            found.length = length  # nothing new can be reached at all
            return found
        level = following
    return found


def _separated(rivals: Sequence[Rival], shapes: Sequence[Shape | None]) -> bool:
    """Whether two rivals have no heap in common: each may stand in several ways."""
    said: dict[str, set[Shape | None]] = {}
    for rival, shape in zip(rivals, shapes, strict=True):
        said.setdefault(rival.words, set()).add(shape)
    known = [each for each in said.values() if None not in each]
    return any(not one & other for one, other in combinations(known, 2))


def _performed(
    node: _Node,
    name: str,
    actions: Sequence[Mapping[str, Action]],
    tasks: Sequence[Task],
    rivals: Sequence[Rival],
) -> tuple[tuple[Moment | None, ...], list[Shape | None], bool]:
    """What each rival says of an action: the heap behind it, None where too little is known to say.

    Where it cannot be done the heap stays as it is; the last is whether that is so of any.
    """
    moments: list[Moment | None] = []
    shapes: list[Shape | None] = []
    refused = False
    for rival, task, own, moment in zip(rivals, tasks, actions, node.moments, strict=True):
        after: Moment | None = None
        shape: Shape | None = None
        if moment is not None and name in own:
            try:
                after = perform(own[name], moment, task)
            except NotKnown:
                after = None
            except NotPossible:
                after, refused = moment, True
            if after is not None:
                shape = shape_of(after.arenas[rival.game.build].cells)
        moments.append(after)
        shapes.append(shape)
    return tuple(moments), shapes, refused


def shape_of(cells: Sequence[Cell]) -> Shape:
    """What of cells is seen."""
    return tuple((cell.start, cell.stride, cell.kind) for cell in cells)


def _experiment(
    actions: tuple[str, ...],
    shapes: Sequence[Shape | None],
    moments: Sequence[Moment | None],
    rivals: Sequence[Rival],
    depth: int,
) -> Experiment:
    classes: dict[Shape, list[int]] = {}
    for number, shape in enumerate(shapes):
        if shape is not None:
            classes.setdefault(shape, []).append(number)
    predicted: list[tuple[Cell, ...]] = []
    for numbers in classes.values():
        moment = moments[numbers[0]]
        assert moment is not None
        predicted.append(moment.arenas[rivals[numbers[0]].game.build].cells)
    silent = [number for number, shape in enumerate(shapes) if shape is None]
    return Experiment(actions, list(classes.values()), predicted, depth - 1, unpredictable=silent)


def _key(node: _Node, limited: Collection[str]) -> tuple[object, ...]:
    return tuple(
        None
        if moment is None
        else (
            tuple(moment.arenas.values()),
            tuple(sorted(moment.states.items())),
            tuple(moment.uses.get(name, 0) for name in sorted(limited)),
        )
        for moment in node.moments
    )
