"""A heap as planning sees it, or in words what of it the schema's ``[allocator]`` contradicts.

A plan is as good as the rules that it is made by.  So a heap that these rules could not have left
is refused, with the block that shows it.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from itertools import pairwise

from bridge.heap.blocks import Block, Heap
from bridge.planning.actions import Action, Free, Hold
from bridge.planning.ages import ages_of
from bridge.planning.arena import HOLE, WALL, Arena, Cell
from bridge.planning.model import GameModel
from bridge.planning.policy import End, Fit, HoleOrder, Merge, Policy
from schemas.errors import PlanningError

__all__ = ["MAX_CELLS", "arena_of_heap", "contradictions"]

MAX_CELLS = 4096
_LEARN = "lowhalf learn finds what the game does"


def arena_of_heap(
    heap: Heap,
    game: GameModel,
    bounds: tuple[int, int] | None = None,
    actions: Sequence[Action] = (),
    *,
    rover: int | None = None,
    held: int | None = None,
    newest_holes: Sequence[int] = (),
) -> Arena:
    """The arena of a heap.

    *bounds* is where it begins and ends, None for the heap's extent, or the first header and the
    last block's end; *actions* are what ages are asked for.
    *rover* is an address in the block or hole where next fit goes on (0: at the end tried first),
    *held* the payload of the block that is held (0 or a released one: none is), *newest_holes* are
    addresses in holes, the newest first.
    What lies between two blocks and belongs to none is wall.

    Raises PlanningError where planning would be by rules that are not the game's.
    """
    _check_whole(heap)
    _check_told_apart(heap, actions)
    found = list(contradictions(heap, game, bounds))
    if found:
        more = f"; and {len(found) - 1} more" if len(found) > 1 else ""
        raise PlanningError(f"{found[0]}{more}: planning stops; {_LEARN}")
    cells = _tiled(heap, game.policy, bounds, ages_of(heap, game.policy, actions))
    if len(cells) > MAX_CELLS:
        raise PlanningError(
            f"the heap has {len(cells)} blocks, the most that planning takes are {MAX_CELLS}"
        )
    cells = _with_hole_ages(cells, game.policy, newest_holes)
    return Arena(
        tuple(cells),
        _rover(cells, game.policy, rover),
        _held(cells, held and held - game.policy.header),
    )


def contradictions(
    heap: Heap, game: GameModel, bounds: tuple[int, int] | None = None
) -> Iterator[str]:
    """Sentences that each tell what of a heap its game's rules could not have left."""
    policy, blocks = game.policy, heap.blocks
    if bounds is not None:
        low, high = bounds
        for block in blocks:
            if block.header < low or block.end > high:
                yield (
                    f"{_told(block)} lies outside the arena, which is from 0x{low:08X} to "
                    f"0x{high:08X}"
                )
    for block in blocks:
        before = block.start - block.header
        if before != policy.header and not _bare(block):
            yield f"{_told(block)} begins 0x{before:X} bytes behind its header, but header is " + (
                f"0x{policy.header:X}"
            )
    for one, other in pairwise(blocks):
        yield from _of_neighbours(one, other, policy)
    strides = {kind: policy.stride(size) for kind, size in game.sizes.items()}
    for block in blocks:
        yield from _of_size(block, policy, strides)


def _of_neighbours(one: Block, other: Block, policy: Policy) -> Iterator[str]:
    if other.header < one.header:
        yield (
            f"{_told(other)} comes behind block {one.index} and lies before it, but planning needs "
            'blocks by address: order = "address" in [heap] sorts them'
        )
        return
    room = other.header - one.header
    stride = _stride(one, policy)
    if stride > room:
        yield (
            f"{_told(one)} takes 0x{stride:X} bytes with header 0x{policy.header:X} and alignment "
            f"{policy.alignment}, but the next one lies 0x{room:X} bytes behind"
        )
    elif 0 < room - stride < policy.header + policy.alignment and not _bare(one):
        yield (
            f"between blocks {one.index} and {other.index} lie 0x{room - stride:X} bytes, too few "
            f"for any block: is size in [heap] or alignment {policy.alignment} too small?"
        )
    elif stride == room and not one.used and not other.used and policy.merge is Merge.BOTH:
        yield f"free blocks {one.index} and {other.index} touch, but merge is both"


def _of_size(block: Block, policy: Policy, strides: Mapping[str, int]) -> Iterator[str]:
    stride = _stride(block, policy)
    if _bare(block):
        return
    if not block.used:
        least = min([policy.least_rest, *strides.values()])
        if stride < least:
            yield (
                f"{_told(block)} has 0x{stride:X} bytes with its header, but least_rest is "
                f"0x{policy.least_rest:X} and no kind takes as few"
            )
        return
    needed = strides.get(block.owner)
    if needed is None:
        return
    if stride < needed:
        yield (
            f"{_told(block)} has 0x{block.size:X} bytes, but its kind asks for "
            f"0x{needed - policy.header:X}"
        )
    elif stride - needed >= policy.least_rest:
        yield (
            f"{_told(block)} has 0x{stride - needed:X} bytes more than its kind takes, but "
            f"least_rest is 0x{policy.least_rest:X}: they would be a hole"
        )


def _bare(block: Block) -> bool:
    """Whether it is what no block covers, which has no header."""
    return block.header == block.start and (block.run or not block.used)


def _stride(block: Block, policy: Policy) -> int:
    return block.size if _bare(block) else policy.stride(block.size)


def _told(block: Block) -> str:
    what = f"a {block.owner}" if block.used else "free"
    return f"block {block.index} at 0x{block.start:08X}, {what},"


def _check_whole(heap: Heap) -> None:
    if heap.damaged is not None:
        word = "not all there" if heap.awaited else "damaged"
        raise PlanningError(f"the heap is {word}: {heap.damaged}; planning needs all of it")
    if not heap.blocks:
        why = f": {heap.empty}" if heap.empty else ""
        raise PlanningError(f"the heap has no block{why}; planning needs one that the game set up")


def _check_told_apart(heap: Heap, actions: Sequence[Action]) -> None:
    """Refuse a heap whose blocks can move, or in which those that actions release are not known."""
    for block in heap.blocks:
        if block.used and block.owner in (HOLE, WALL):
            raise PlanningError(
                f"block {block.index} at 0x{block.start:08X} is used by what is called "
                f"{block.owner}, which planning has another meaning for; call it otherwise"
            )
    if any(block.handle is not None for block in heap.blocks):
        raise PlanningError(
            "the heap's blocks are known by handles, since they can move; planning knows no rule "
            "for that"
        )
    releasing = [a.name for a in actions if any(isinstance(e, Free | Hold) for e in a.effects)]
    if releasing and any(block.run for block in heap.blocks):
        raise PlanningError(
            f"the heap's list has the free blocks alone, so that what {releasing[0]} releases is "
            'not known; rest = "blocks" in [heap] tells the used ones apart'
        )


def _tiled(
    heap: Heap, policy: Policy, bounds: tuple[int, int] | None, ages: Mapping[int, int]
) -> list[Cell]:
    blocks = heap.blocks
    last = blocks[-1]
    ends = (blocks[0].header, last.header + _stride(last, policy))
    low, high = bounds or heap.extent or ends
    cells: list[Cell] = []
    at = low
    for block in blocks:
        if block.header > at:
            cells.append(Cell(at, block.header - at, WALL))
        stride = min(_stride(block, policy), high - block.header)
        kind = block.owner if block.used else HOLE
        cells.append(Cell(block.header, stride, kind, ages.get(block.start)))
        at = cells[-1].end
    if at < high:
        cells.append(Cell(at, high - at, WALL))
    return cells


def _with_hole_ages(cells: list[Cell], policy: Policy, newest: Sequence[int]) -> list[Cell]:
    """The cells with when each hole was made, where that matters."""
    if policy.order is not HoleOrder.RECENT:
        return cells
    holes = [cell for cell in cells if not cell.used]
    known: dict[int, int] = {}
    for place, address in enumerate(reversed(newest)):
        known |= {hole.start: place for hole in holes if hole.start <= address < hole.end}
    unknown = [hole for hole in holes if hole.start not in known]
    if unknown and len(holes) > 1:
        raise PlanningError(
            f"order is recent, and which of the {len(holes)} free blocks is newer than that at "
            f"0x{unknown[0].start + policy.header:08X} is not known; newest_first in [heap] takes "
            "the game's own list of them, too"
        )
    return [
        Cell(cell.start, cell.stride, cell.kind, cell.age if cell.used else known.get(cell.start))
        for cell in cells
    ]


def _rover(cells: Sequence[Cell], policy: Policy, address: int | None) -> int | None:
    if policy.fit is not Fit.NEXT:
        return None
    if address is None:
        raise PlanningError(
            "fit is next, and where it goes on is not known; rover in [allocator] says where the "
            "game keeps it"
        )
    low, high = cells[0].start, cells[-1].end
    if not address:
        return low if policy.tried_from is End.LOW else high
    if not low <= address <= high:
        raise PlanningError(
            f"the rover is 0x{address:08X}, outside the arena from 0x{low:08X} to 0x{high:08X}"
        )
    return next((cell.start for cell in cells if cell.start <= address < cell.end), high)


def _held(cells: Sequence[Cell], payload: int | None) -> int | None:
    """The block whose payload starts there, where it is used: a stale pointer holds nothing."""
    for cell in cells:
        if payload == cell.start:
            return cell.start if cell.kind not in (HOLE, WALL) else None
    return None
