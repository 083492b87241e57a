"""Speed of evaluation, as ratios within one run: ``python -m tests.benchmarks.evaluation``.

(a) 1,000 watches ``low(pointer.field)`` against a hand-written loop of ``struct.unpack_from`` over
    the same bytes; (b) 1,000 mixed watches against the same loop; (c) the cost per watch at 10 to
    10,000 watches; (d) loading a schema of 500 structs and 5,000 fields with 1,000 watches.
"""

from __future__ import annotations

import random
import struct
import tempfile
import time
import tomllib
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from adapters.processor_time import processor_time
from bridge.evaluation.evaluator import Evaluator
from bridge.memory.address_map import MemoryMap
from bridge.memory.image import Image
from bridge.prepared import PreparedBuild, memory_map, prepare
from bridge.readings.reading import Reading
from bridge.values.status import Status
from schemas.loader import load_bridge

BASE = 0x8000_0000
POINTERS = 0x1000
TARGETS = 0x10_0000
TARGET_SIZE = 0x100
FIELD = 0x2C

SCHEMA = """
[game]
name = "Tidewright"
[memory]
endian = "big"
regions = [ { name = "ram", start = 0x8000_0000, size = "8 MiB" } ]
[structs.Vec3.fields]
x = { at = 0x0, type = "f32" }
y = { at = 0x4, type = "f32" }
z = { at = 0x8, type = "f32" }
[structs.Actor]
size = 0x100
[structs.Actor.fields]
facing = { at = 0x10, type = "angle16" }
weight = { at = 0x14, type = "s32" }
position = { at = 0x2C, type = "Vec3" }
next = { at = 0x40, type = "Actor*" }
[symbols]
actors = "Actor*[COUNT]"
[builds.only]
at = { actors = 0x8000_1000 }
"""


@dataclass(frozen=True)
class Bench:
    prepared: PreparedBuild
    image: Image
    evaluator: Evaluator

    def evaluate(self) -> None:
        self.evaluator.evaluate(self.image, 1)

    def frame(self) -> list[Reading]:
        """Evaluate, commit, and make what an output gets."""
        self.evaluator.evaluate(self.image, 1)
        self.evaluator.commit()
        readings = []
        for watch in self.prepared.watches:
            slot = self.prepared.program.watches[watch.name]
            fault = self.evaluator.faults[slot]
            status = fault.status if fault else Status.OK
            reading = Reading(watch, status, self.evaluator.values[slot])
            _ = reading.target, reading.distance
            readings.append(reading)
        return readings


def bench(directory: Path, watches: Sequence[str], pointers: int) -> Bench:
    """A bridge with these watches (TOML tables) over memory where *pointers* lead to actors."""
    (directory / "t.schema.toml").write_text(SCHEMA.replace("COUNT", str(pointers)), "utf-8")
    head = 'schema = "t.schema.toml"\n[source]\nkind = "fake"\nbyte_order = "big"\n'
    path = directory / "t.bridge.toml"
    path.write_text(head + "\n".join(watches), "utf-8")
    loaded = load_bridge(path)
    prepared = prepare(loaded)["only"]
    memory = memory_map(loaded.schema)
    image = filled(memory, pointers)
    return Bench(
        prepared,
        image,
        Evaluator(
            prepared.program, prepared.layout, memory, whole=True, processor_time=processor_time
        ),
    )


def filled(memory: MemoryMap, pointers: int) -> Image:
    chance = random.Random(1)
    image = Image(memory, whole=True)
    order = list(range(pointers))
    chance.shuffle(order)
    for number, target in enumerate(order):
        address = TARGETS + target * TARGET_SIZE
        struct.pack_into(">I", image.bytes, POINTERS + 4 * number, BASE + address)
        struct.pack_into(">Hxxi", image.bytes, address + 0x10, chance.randrange(1 << 16), target)
        floats = [chance.uniform(-500, 500) for _ in range(3)]
        struct.pack_into(">fff", image.bytes, address + FIELD, *floats)
        following = BASE + TARGETS + order[number - 1] * TARGET_SIZE
        struct.pack_into(">I", image.bytes, address + 0x40, following)
    return image


def halves(count: int) -> list[str]:
    return [
        f'[[watches]]\nname = "w{n}"\nexpr = "low(actors[{n}].position.x)"' for n in range(count)
    ]


def mixed(count: int) -> list[str]:
    """Arithmetic, two pointers deep, targets and ``change``, a quarter each."""
    kinds = [
        'expr = "actors[{n}].weight * 3 + (actors[{n}].facing >> 2) - 7"',
        'expr = "low(actors[{n}].next.position.x)"',
        'expr = "actors[{n}].facing"\ntarget = {{ near = 0x4000, within = 16 }}',
        'expr = "change(actors[{n}].position.x)"',
    ]
    return [
        f'[[watches]]\nname = "w{n}"\n' + kinds[n % len(kinds)].format(n=n) for n in range(count)
    ]


def by_hand(image: Image, count: int) -> Callable[[], list[int]]:
    """The loop that a person would write for ``low(pointer.field)``, without any check."""
    ram = bytes(image.bytes)
    places = [POINTERS + 4 * number for number in range(count)]
    low = FIELD + 2 - BASE

    def loop() -> list[int]:
        values = []
        for place in places:
            pointer = struct.unpack_from(">I", ram, place)[0]
            values.append(struct.unpack_from(">H", ram, pointer + low)[0])
        return values

    return loop


def best(calls: Sequence[Callable[[], object]], rounds: int = 60) -> list[float]:
    """Shortest time of each call in seconds; calls take turns, so that noise meets all alike."""
    times = [float("inf")] * len(calls)
    for _ in range(rounds):
        for number, call in enumerate(calls):
            began = time.thread_time()
            call()
            times[number] = min(times[number], time.thread_time() - began)
    return times


def against_hand(directory: Path, count: int = 1000) -> tuple[float, float, float]:
    """Seconds of (a) evaluation, (b) mixed watches with readings and targets, and the loop."""
    plain, mix = bench(directory, halves(count), count), bench(directory, mixed(count), count)
    loop = by_hand(plain.image, count)
    plain.evaluate()
    slots = [plain.prepared.program.watches[watch.name] for watch in plain.prepared.watches]
    if [plain.evaluator.values[slot] for slot in slots] != loop():
        raise AssertionError("the loop and the watches differ")
    a, b, hand = best([plain.evaluate, mix.frame, loop])
    return a, b, hand


@dataclass(frozen=True)
class Cost:
    """Seconds per watch at a count of watches, of the watches and of the loop by hand."""

    count: int
    watches: float
    by_hand: float

    @property
    def ratio(self) -> float:
        return self.watches / self.by_hand


def growth(directory: Path, counts: Sequence[int] = (10, 100, 1000, 10_000)) -> list[Cost]:
    """The cost at each count; small counts are repeated so that they can be timed.

    The loop reads the same bytes, so that what a larger memory costs both is no growth of ours.
    """
    repeats = [max(1, 1000 // count) for count in counts]

    def repeated(call: Callable[[], object], times: int) -> Callable[[], None]:
        def calls() -> None:
            for _ in range(times):
                call()

        return calls

    calls: list[Callable[[], object]] = []
    for count, times in zip(counts, repeats, strict=True):
        one = bench(directory, halves(count), count)
        calls += [repeated(one.evaluate, times), repeated(by_hand(one.image, count), times)]
    found = best(calls, 40)
    return [
        Cost(count, watches / times / count, hand / times / count)
        for count, times, watches, hand in zip(
            counts, repeats, found[0::2], found[1::2], strict=True
        )
    ]


def large_schema() -> tuple[str, str]:
    """A schema of 500 structs with 10 fields each, and a bridge file with 1,000 watches."""
    schema = ['[game]\nname = "Tidewright"\n[memory]\nendian = "big"']
    schema.append('regions = [ { name = "ram", start = 0x8000_0000, size = "8 MiB" } ]')
    kinds = ("u8", "s16", "u32", "f32", "angle16", "q16.16", "char[4]", "u8[4]", "f32", "s32")
    for number in range(500):
        schema.append(f"[structs.S{number}.fields]")
        for place, kind in enumerate(kinds):
            kind = f"S{number + 1}*" if place == 9 and number < 499 else kind
            schema.append(f'f{place} = {{ at = {place * 4}, type = "{kind}", doc = "a field" }}')
    schema.append("[symbols]")
    schema += [f's{number} = "S{number}"' for number in range(500)]
    schema.append("[builds.only.at]")
    schema += [f"s{number} = {0x8000_1000 + number * 0x40}" for number in range(500)]
    bridge = ['schema = "large.schema.toml"', '[source]\nkind = "fake"\nbyte_order = "big"']
    for number in range(1000):
        bridge.append(f'[[watches]]\nname = "w{number}"')
        bridge.append(f'expr = "low(s{number % 498}.f9.f9.f3) + s{number % 498}.f2 * 2"')
    return "\n".join(schema), "\n".join(bridge)


def load_seconds(directory: Path) -> tuple[float, float]:
    """Seconds to load, check and compile the large schema and its watches; and to parse the two
    files as TOML alone, for comparison."""
    schema, bridge_text = large_schema()
    (directory / "large.schema.toml").write_text(schema, "utf-8")
    path = directory / "large.bridge.toml"
    path.write_text(bridge_text, "utf-8")
    began = time.thread_time()
    loaded = load_bridge(path)
    prepared = prepare(loaded)["only"]
    Evaluator(
        prepared.program,
        prepared.layout,
        memory_map(loaded.schema),
        whole=True,
        processor_time=processor_time,
    )
    whole = time.thread_time() - began
    began = time.thread_time()
    tomllib.loads(schema)
    tomllib.loads(bridge_text)
    return whole, time.thread_time() - began


def main() -> None:
    with tempfile.TemporaryDirectory() as name:
        directory = Path(name)
        a, b, hand = against_hand(directory)
        costs = growth(directory)
        load, toml = load_seconds(directory)
    print("what                                          per frame      ratio to the loop")
    print(f"hand-written loop of struct.unpack_from  {hand * 1e6:10.0f} µs")
    print(f"(a) 1,000 of low(pointer.field)          {a * 1e6:10.0f} µs   {a / hand:10.2f}")
    print(f"(b) 1,000 mixed, readings and targets    {b * 1e6:10.0f} µs   {b / hand:10.2f}")
    print()
    print("(c) watches   per watch      by hand    ratio")
    for cost in costs:
        print(f"{cost.count:11,}  {cost.watches * 1e9:7.0f} ns", end="")
        print(f"  {cost.by_hand * 1e9:7.0f} ns  {cost.ratio:7.2f}")
    print()
    print(f"(d) load 500 structs, 5,000 fields, 1,000 watches: {load:.2f} s, ", end="")
    print(f"{load / toml:.1f} times the parsing of the TOML alone")


if __name__ == "__main__":
    main()
