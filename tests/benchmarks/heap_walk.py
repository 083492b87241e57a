"""Speed of the walk along a heap of 2,000 blocks: ``python -m tests.benchmarks.heap_walk``.

Against a hand-written loop of ``struct.unpack_from`` over the same bytes that tells each block's
owner, too, as a ratio within one run; and what pointers into the heap cost a bridge whose schema
describes it.
"""

from __future__ import annotations

import random
import struct
from collections.abc import Callable
from dataclasses import dataclass

from adapters.processor_time import processor_time
from bridge.evaluation.evaluator import Evaluator
from bridge.expressions.compiling import check
from bridge.memory.image import Image
from tests.benchmarks.evaluation import best
from tests.bridge.made_heap import ARENA, HEAD, KINDS, MAGIC, HeapGuest, Made

BLOCKS = 2000
RAM = 0x8000_0000


@dataclass(frozen=True)
class Times:
    """Seconds: the walk alone, the walk with every block and its owner made, the same with lines
    fetched one by one, the walk alone of a list in no order, the loop by hand."""

    walk: float
    owners: float
    sparse: float
    unordered: float
    by_hand: float


def made() -> HeapGuest:
    guest = HeapGuest(size="4 MiB")
    guest.heap([Made(0x1C0 + 16 * (n % 7), n % 5 != 0, 2 + n % 5) for n in range(BLOCKS)])
    return guest


def by_hand(ram: bytes) -> Callable[[], list[str]]:
    """The loop that a person would write."""
    names = {number: name for name, number in KINDS.items()}

    def loop() -> list[str]:
        owners = []
        header = ARENA
        while header:
            magic, used, _, _, following = struct.unpack_from(">HBBII", ram, header - RAM)
            if magic != MAGIC:
                raise ValueError(f"no block at {header:#x}")
            kind = struct.unpack_from(">H", ram, header + 16 - RAM)[0]
            owners.append(names[kind] if used else "free")
            header = following
        return owners

    return loop


def measure() -> Times:
    guest = made()
    program = check(guest.layout, {"count": "len(blocks())"})
    image = guest.image()
    whole = Evaluator(
        program, guest.layout, guest.memory, whole=True, processor_time=processor_time
    )
    sparse = Evaluator(
        program, guest.layout, guest.memory, whole=False, processor_time=processor_time
    )
    held = Image(guest.memory)
    missing = sparse.evaluate(held, 1)
    while missing:
        for span in guest.memory.spans(missing):
            held.put(span, guest.part(span))
        missing = sparse.evaluate(held, 1, again=True)

    def owners() -> list[str]:
        whole.evaluate(image, 1)
        return [block.owner for block in whole.heap().blocks]

    order = random.Random(1).sample(range(BLOCKS), BLOCKS)
    guest.poke(HEAD, "I", guest.headers[order[0]])
    for here, there in zip(order, [*order[1:], None], strict=True):
        guest.poke(guest.headers[here] + 8, "I", 0 if there is None else guest.headers[there])
    shuffled = guest.image()

    loop = by_hand(bytes(image.bytes))
    if owners() != loop():
        raise AssertionError("the loop and the walk differ")
    calls = [
        lambda: whole.evaluate(image, 1),
        owners,
        lambda: sparse.evaluate(held, 1),
        lambda: whole.evaluate(shuffled, 1),
        loop,
    ]
    return Times(*best(calls, 40))


def pointer_cost(pointers: int = 100) -> tuple[float, float]:
    """Seconds of as many watches ``held.word`` with and without the checks, in a heap of 40."""
    guest = HeapGuest(size="256 KiB")
    guest.heap([Made(0x40) for _ in range(40)])
    guest.aim(guest.start(7))
    watches = {f"w{n}": f"held.word + {n}" for n in range(pointers)}
    image = guest.image()
    programs = [check(guest.layout, watches, unwarned) for unwarned in ((), tuple(watches))]
    heeding, unwarned = (
        Evaluator(program, guest.layout, guest.memory, whole=True, processor_time=processor_time)
        for program in programs
    )
    calls = [lambda: heeding.evaluate(image, 1), lambda: unwarned.evaluate(image, 1)]
    checked, unchecked = best(calls, 40)
    return checked, unchecked


def main() -> None:
    times = measure()
    print(f"a heap of {BLOCKS:,} blocks                      per frame   ratio to the loop")
    for what, seconds in (
        ("hand-written loop of struct.unpack_from", times.by_hand),
        ("the walk", times.walk),
        ("the walk, every block and owner told", times.owners),
        ("the walk on fetched lines", times.sparse),
        ("the walk of a list in no order", times.unordered),
    ):
        print(f"{what:40} {seconds * 1e3:8.2f} ms {seconds / times.by_hand:10.2f}")
    checked, unchecked = pointer_cost()
    print(
        f"100 watches through a pointer into a heap of 40 blocks: {checked * 1e6:.0f} µs, ", end=""
    )
    print(f"{unchecked * 1e6:.0f} µs where they ignore it")


if __name__ == "__main__":
    main()
