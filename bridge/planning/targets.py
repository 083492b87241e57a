"""The goals of a task on one build as the tests of a problem, with what each takes at least."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from bridge.planning.arena import HOLE, WALL
from bridge.planning.distances import ControlGraph, chain_of, priced_chain, prices_of
from bridge.planning.goals import holds
from bridge.planning.model import (
    Covered,
    Freed,
    LaidOut,
    Placed,
    Settling,
    Start,
    Task,
    Uncovered,
)
from bridge.planning.policy import End, Fit, HoleOrder, Policy
from bridge.planning.problem import NEVER, WALL_KIND, Code, Side, Test

__all__ = ["MAX_CHAINED", "MAX_ROWS", "MAX_STEPS", "Places", "tests_of"]

MAX_ROWS = 24
"""Rows of a table of frames by what is still to be handed out; more counts as so much."""
MAX_STEPS = 200_000
"""What making one table may take, in moves looked at; larger ones say less."""

MAX_CHAINED = 1 << 20
"""The same for tables by unit."""


@dataclass(frozen=True, slots=True)
class Places:
    """One build's addresses, kinds and sizes in units."""

    base: int
    unit: int
    units: int
    strides: tuple[int, ...]
    least_rest: int
    policy: Policy
    numbers: Mapping[str, int]

    @property
    def kinds(self) -> int:
        """How many there are, holes and wall with them."""
        return len(self.strides)

    def at_or_below(self, address: int) -> int:
        """The unit that an address of the game lies in."""
        return (address - self.base) // self.unit

    def at_or_above(self, address: int) -> int:
        """The first unit that does not begin below an address of the game."""
        return -((self.base - address) // self.unit)

    def mask(self, kind: str | None) -> int:
        """The kinds that a goal means; 0 where no block is or ever becomes one."""
        if kind is None:
            return (1 << self.kinds) - 1 & ~((1 << WALL_KIND + 1) - 1)
        return 1 << self.numbers[kind] if kind in self.numbers else 0


@dataclass(frozen=True, slots=True)
class _Asked:
    """One kind of block as some action asks for it."""

    kind: int
    stride: int
    tried_low: bool
    carved_low: bool


def tests_of(
    task: Task, start: Start, places: Places, graph: ControlGraph
) -> tuple[tuple[Test, ...], tuple[int, ...]]:
    """The tests of one build, and the addresses that some of them want a hole at."""
    asked = _asked(places, graph)
    tests: list[Test] = []
    for number, goal in _single_goals(task, start):
        if isinstance(goal, Freed | Uncovered):
            at = places.at_or_below(goal.addresses[start.game.build])
            walled = any(
                cell.kind == WALL and cell.start <= goal.addresses[start.game.build] < cell.end
                for cell in start.arena.cells
            )
            if isinstance(goal, Uncovered) and (walled or not 0 <= at < places.units):
                assert holds(goal, start, start.arena)  # and no action changes that
                continue
            tests.append(
                _hole(number, at if 0 <= at < places.units else places.units, places, graph)
            )
        else:
            tests.append(_block(number, goal, start, places, asked, graph))
    return tuple(tests), tuple(test.low for test in tests if not test.kinds)


def _single_goals(
    task: Task, start: Start
) -> Iterator[tuple[int, Placed | Covered | Freed | Uncovered]]:
    """Each goal with its number; of a layout what must be for it to match."""
    build, policy = start.game.build, start.game.policy
    for number, goal in enumerate(task.goals):
        if not isinstance(goal, LaidOut):
            yield number, goal
            continue
        pattern = goal.patterns[build]
        settled = pattern.settled(start.arena, policy) if isinstance(pattern, Settling) else ()
        for kind, address in settled:
            if kind == HOLE:
                yield number, Freed({build: address})
            else:
                payload = address + policy.header
                yield number, Placed(kind, {build: (payload, payload)})


def _asked(places: Places, graph: ControlGraph) -> frozenset[_Asked]:
    policy = places.policy
    found = set()
    for number in graph.kept:
        for operation in graph.moves[number].operations:
            if operation.code == Code.ALLOC:
                tried, carved = policy.tried_from, policy.carved_from
                if operation.how >= 0:
                    tried = carved = End.HIGH if operation.how else End.LOW
                stride = places.strides[operation.what]
                found.add(_Asked(operation.what, stride, tried is End.LOW, carved is End.LOW))
    return frozenset(found)


def _hole(number: int, at: int, places: Places, graph: ControlGraph) -> Test:
    return Test(
        goal=number,
        kinds=0,
        low=at,
        high=at,
        end=0,
        clear_low=at,
        clear_high=at + 1,
        clear=graph.release(places.kinds),
        side=Side.NONE,
        fill_at=0,
        fill_by=1,
        fill=(0 if at < places.units else NEVER,) * graph.controls,
        chain=b"",
        chain_low=0,
        chain_high=0,
        links=(),
        prices=(),
        releases=(),
    )


def _block(
    number: int,
    goal: Placed | Covered,
    start: Start,
    places: Places,
    asked: frozenset[_Asked],
    graph: ControlGraph,
) -> Test:
    header, build = places.policy.header, start.game.build
    if isinstance(goal, Placed):
        low = places.at_or_above(goal.spans[build][0] - header)
        high = places.at_or_below(goal.spans[build][1] - header)
        end = 0
    else:
        low, high = 0, places.at_or_below(goal.addresses[build] - header)
        end = places.at_or_below(goal.addresses[build]) + 1
    low, high = max(low, 0), min(high, places.units - 1)
    mask = places.mask(goal.kind)
    wanted = [each for each in asked if mask >> each.kind & 1]
    if not mask or low > high or end > places.units:
        mask, low, high, wanted = mask or 1 << WALL_KIND, 1, 0, []
    slack = places.least_rest - 1
    strides = [each.stride for each in wanted] or [1]
    longest = max(strides)
    first = max(low, end - longest - slack)
    side, fill_at, gains = _filling(wanted, longest, first, high, places)
    rows = _rows(graph)
    prices, releases = _priced(wanted, asked, first, high, places, graph)
    most = min(rows, places.units // longest) if side else 0
    return Test(
        goal=number,
        kinds=mask,
        low=low,
        high=high,
        end=end,
        clear_low=high,
        clear_high=max(first + min(strides), end),
        clear=graph.release_then_hand_out(places.kinds, _mask(wanted)),
        side=side,
        fill_at=fill_at,
        fill_by=longest,
        fill=graph.hand_out(_mask(wanted), gains, most),
        chain=_chain(wanted, asked, first, high, places),
        chain_low=first,
        chain_high=high + 1,
        links=graph.hand_out(_mask(wanted), [1] * places.kinds, rows),
        prices=prices,
        releases=releases,
    )


def _mask(wanted: list[_Asked]) -> int:
    mask = 0
    for each in wanted:
        mask |= 1 << each.kind
    return mask


def _rows(graph: ControlGraph) -> int:
    return min(MAX_ROWS, MAX_STEPS // max(1, graph.size))


def _filling(
    wanted: list[_Asked], longest: int, first: int, high: int, places: Places
) -> tuple[Side, int, list[int]]:
    """The side from which holes must be filled first, up to where, and what each kind fills.

    With first fit by address no hole that comes before the block's own is enough for it then.  A
    block in a hole takes at most as many times ``longest`` as its stride has begun; releases make
    holes only larger, and what one joins has room for as many as before.
    """
    policy = places.policy
    slack = places.least_rest - 1
    gains = [
        max(-(-stride // longest), (stride + slack) // longest) if stride else 0
        for stride in places.strides
    ]
    if wanted and policy.fit is Fit.FIRST and policy.order is HoleOrder.ADDRESS:
        if all(each.tried_low and each.carved_low for each in wanted):
            return Side.LOW, first, gains
        if not any(each.tried_low or each.carved_low for each in wanted):
            return Side.HIGH, high + longest + slack, gains
    return Side.NONE, 0, gains


def _chain(
    wanted: list[_Asked], asked: frozenset[_Asked], first: int, high: int, places: Places
) -> bytes:
    """From each boundary the least number of blocks until one can lie where it is wanted.

    A block lies at an end of its hole, and that is a boundary of cells already.
    """
    return chain_of(
        _ends(wanted, first, high, dict.fromkeys((each.kind for each in wanted), 0)),
        sorted({each.stride for each in asked if each.carved_low}),
        sorted({each.stride for each in asked if not each.carved_low}),
        places.units,
    )


def _priced(
    wanted: list[_Asked],
    asked: frozenset[_Asked],
    first: int,
    high: int,
    places: Places,
    graph: ControlGraph,
) -> tuple[tuple[int, ...], tuple[int, ...]]:
    """The same with the frames that these blocks cost at least, the wanted one's with them.

    With it what releasing a block costs at least that a chain cannot leave where it is: known where
    all chains go upwards.  Both by reach.
    """
    _, reaches = graph.reaches()
    prices: list[int] = []
    releases: list[int] = []
    for moves in reaches:
        alloc, free = prices_of(graph, moves, places.kinds)
        upwards: dict[int, int] = {}
        downwards: dict[int, int] = {}
        for each in asked:
            steps = upwards if each.carved_low else downwards
            steps[each.stride] = min(steps.get(each.stride, NEVER), alloc[each.kind])
        releases += [0] * places.kinds if downwards else free
        if places.units * len(asked) * len(reaches) <= MAX_CHAINED:
            targets = _ends(wanted, first, high, {each.kind: alloc[each.kind] for each in wanted})
            prices += priced_chain(targets, upwards, downwards, places.units)
    return tuple(prices), tuple(releases)


def _ends(wanted: list[_Asked], first: int, high: int, prices: Mapping[int, int]) -> dict[int, int]:
    """The boundaries at which a block that starts in ``first`` … ``high`` can lie, with its price.

    One carved from the high end lies below its boundary, or has a whole hole from its start.
    """
    ends: dict[int, int] = {}
    for each in wanted:
        spans = [range(first, high + 1)]
        if not each.carved_low:
            spans.append(range(first + each.stride, high + each.stride + 1))
        for span in spans:
            for at in span:
                ends[at] = min(ends.get(at, NEVER), prices[each.kind])
    return ends
