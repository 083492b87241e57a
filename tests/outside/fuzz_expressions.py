"""Expressions made by grammar and by mutation: ``python -m tests.outside.fuzz_expressions``.

What nobody would write is written here, with the memory that suits it least: long lists, circles,
a damaged heap, pointers to anywhere.  Two things are held, whatever the text:

- nothing but the documented errors comes out: ExpressionError of an expression, SchemaError of a
  heap's description, ValueError of a target;
- no frame takes more than 100 ms of the processor's time, readings and their texts included.

Source of the numbers: Python itself, whose whole numbers have no limit (``oracle``).

``--seconds 300`` is the full form; the tests run a few seconds of it.  ``--seed`` repeats a run.
"""

from __future__ import annotations

import argparse
import ast
import gc
import random
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field

from adapters.processor_time import processor_time
from adapters.system_clock import SystemClock
from bridge.evaluation.evaluator import Evaluator
from bridge.expressions.compiling import check
from bridge.memory.image import Image
from bridge.paths.derivation import explain
from bridge.ports.source import Opened
from bridge.prepared import PreparedBuild
from bridge.questions.prepared_question import PreparedQuestion
from bridge.readings.reading import Reading, Watch
from bridge.values import target
from bridge.values.status import Status
from bridge.values.value_type import SHOWS, Kind, Value, ValueType
from schemas.errors import ExpressionError, SchemaError
from tests.bridge.made_guest import Guest, tidewright
from tests.bridge.made_heap import HeapGuest, Made, schema_text

MOST = 0.1
"""Seconds of the processor's time that a frame may take."""
ATOMS = (
    *("0", "1", "2", "3", "7", "64", "255", "0x7FFF", "1024", "0xFFFF_FFFF", "1 << 63", "2**1000"),
    *("0.5", "1e300", "1e-300", "True", "False", "18446744073709551616"),
)
BINARY = ("+", "-", "*", "/", "//", "%", "**", "&", "|", "^", "<<", ">>")
COMPARISONS = ("==", "!=", "<", "<=", ">", ">=")


@dataclass(frozen=True)
class World:
    """A guest and the words of its schema: numbers, places with fields, heads of lists."""

    name: str
    guest: Guest
    fields: tuple[str, ...]
    places: tuple[str, ...]
    heads: tuple[str, ...]
    numbers: tuple[str, ...]
    tame: tuple[str, ...]
    """Fields of whole numbers, which each struct and block has."""
    heap: bool = False


def chains() -> World:
    """A long list, a circle, and pointers to anywhere."""
    guest = tidewright()
    for number in range(1500):
        address = 0x8000_5000 + 8 * number
        guest.poke(address + 0x24, "I", address + 8 if number < 1499 else 0)
    guest.poke(0x8000_0100, "I", 0x8000_5000)
    fields = ("word", "depth", "small", "facing", "big", "real", "fine", "hue", "name", "flags")
    more = ("held", "next", "position", "trim", "grid", "kind", "tide", "drift", "lean")
    places = ("courier", "head", "ring", "wild", "odd", "edge", "mirror", "padded", "courier.held")
    numbers = ("step", "frame", "broken", "endless", "courier.big", "numbers[3]", "head.word")
    tame = ("word", "depth", "small", "facing", "big", "drift", "hue", "kind")
    heads = ("head", "ring", "courier", "mirror")
    return World("chains", guest, fields + more, places, heads, numbers, tame)


def blocks(damaged: bool) -> World:
    """A heap of a few thousand blocks, whose actors lead to each other."""
    guest = HeapGuest()
    made = [Made(0x30 + 16 * (n % 3), n % 5 != 0, 1 + n % 7) for n in range(3000)]
    if damaged:
        made[2500] = Made(0x31)
    guest.heap(made)
    for number in range(3000):
        start = guest.start(number)
        after = guest.start(number + 1) if number < 2999 else guest.start(0)
        guest.poke(start + 8, "I", guest.start(number * 7 % 3000) + number % 3)
        guest.poke(start + 0x10, "I", after)
    guest.aim(guest.start(3))
    fields = ("kind", "word", "held", "next", "trail", "start", "size", "index", "owner", "used")
    numbers = ("word", "held.word", "block(held).offset", "owner(held) == 'gull'")
    places = ("held", "pointer", "held.held", "heap_head")
    name = "damaged heap" if damaged else "heap"
    heads = ("held", "held.held")
    return World(name, guest, fields, places, heads, numbers, ("word", "kind", "held"), heap=True)


@dataclass
class Writer:
    """Writes expressions of one world."""

    world: World
    chance: random.Random
    names: list[str] = field(default_factory=list)
    """Watches that may be used."""
    variables: list[str] = field(default_factory=list)

    def number(self, depth: int) -> str:
        roll, pick = self.chance.random(), self.chance.choice
        if depth <= 0 or roll < 0.12:
            pool = [*ATOMS, *self.world.numbers, *self.names]
            pool += [f"{v}.{pick(self.world.fields)}" for v in self.variables] * 4
            return pick(pool)
        if roll < 0.35:
            return f"({self.number(depth - 1)} {pick(BINARY)} {self.number(depth - 1)})"
        if roll < 0.42:
            parts = [self.number(depth - 1) for _ in range(self.chance.randint(2, 4))]
            return "(" + f" {pick(COMPARISONS)} ".join(parts) + ")"
        if roll < 0.47:
            word = pick((" and ", " or "))
            return f"({self.number(depth - 1)}{word}{self.number(depth - 1)})"
        if roll < 0.51:
            parts = [self.number(depth - 1) for _ in range(3)]
            return f"({parts[0]} if {parts[1]} else {parts[2]})"
        if roll < 0.54:
            return pick(("-", "~", "not ", "+")) + self.number(depth - 1)
        if roll < 0.62:
            return f"{self.place(depth - 1)}.{pick(self.world.fields)}"
        if roll < 0.85:
            return f"{pick(('sum', 'len', 'min', 'max', 'first'))}({self.listing(depth - 1)})"
        return self.call(depth)

    def tame(self, depth: int, lists: int = 0) -> str:
        """A whole number that is not refused, of lists in lists: what takes long."""
        roll, pick = self.chance.random(), self.chance.choice
        if depth <= 0:
            pool = ["step", "1", "3", "2**900", "word"][: 4 if not self.world.heap else 3]
            pool += [f"{v}.{pick(self.world.tame)}" for v in self.variables if v[0] == "p"] * 6
            pool += [
                f"{v}.{pick(('size', 'index', 'start'))}" for v in self.variables if v[0] == "b"
            ]
            return pick(pool)

        def one() -> str:
            return self.tame(depth - 1, lists)

        if roll < 0.45 and lists < 4:
            of_blocks = self.world.heap and self.chance.random() < 0.5
            head = "blocks()" if of_blocks else f"chain({pick(self.world.heads)}, 'next')"
            if not of_blocks and self.variables and self.chance.random() < 0.2:
                places = [v for v in self.variables if v[0] == "p"]
                head = f"chain({pick(places)}, 'next')" if places else head
            if self.chance.random() < 0.3:
                return f"len({head})"
            variable = ("b" if of_blocks else "p") + str(len(self.variables))
            self.variables.append(variable)
            result = self.tame(depth - 1, lists + 1)
            condition = f" if {self.tame(depth - 2, lists + 1)}" if roll < 0.2 else ""
            self.variables.pop()
            fold = pick(("sum", "sum", "len", "max"))
            return f"{fold}([{result} for {variable} in {head}{condition}])"
        if roll < 0.75:
            return f"({one()} {pick(('+', '-', '*', '*', '&', '^', '//', '%'))} {one()})"
        if roll < 0.85:
            return f"({one()} {pick(COMPARISONS)} {one()} {pick(COMPARISONS)} {one()})"
        if roll < 0.9 and self.world.heap:
            return f"block(0x80010020 + {one()} % 60000).index"
        return pick(("abs({})", "signed({}, 64)", "turn({}, 5)", "low(step) + {}")).format(one())

    def call(self, depth: int) -> str:
        def one() -> str:
            return self.number(depth - 1)

        def place() -> str:
            return self.place(depth - 1)

        forms: list[Callable[[], str]] = [
            lambda: f"low({place()})",
            lambda: f"bits({place()})",
            lambda: f"byte({place()}, 1)",
            lambda: f"address({place()})",
            lambda: f"signed({one()}, {self.chance.randint(1, 64)})",
            lambda: f"unsigned({one()}, 16)",
            lambda: f"turn({one()}, {one()})",
            lambda: f"abs({one()})",
            lambda: f"round({one()})",
            lambda: f"floor({one()})",
            lambda: f"sqrt({one()})",
            lambda: f"sin({one()})",
            lambda: f"atan2({one()}, {one()})",
            lambda: f"hypot({one()}, {one()}, {one()})",
            lambda: f"min({one()}, {one()})",
            lambda: f"half_below({one()}, {one()})",
            lambda: f"with_high({one()}, {one()})",
            lambda: f"turn_frames({one()}, {one()})",
            lambda: f"distance({place()}.position, {place()}.position)",
            lambda: f"flat_distance({place()}.position, courier.position)",
            lambda: f"block({place()}).{self.chance.choice(('index', 'offset', 'size'))}",
            lambda: f"(owner({place()}) == 'gull')",
            lambda: f"change({one()})",
            lambda: f"previous({one()})",
            lambda: f"highest({one()})",
            lambda: f"count({one()})",
            lambda: f"frames_of({one()})",
            lambda: f"average({one()}, {self.chance.choice((1, 60, 36000))})",
            lambda: f"tally({one()}, {one()})",
            lambda: f"latest({one()}, {one()})",
        ]
        return self.chance.choice(forms)()

    def place(self, depth: int) -> str:
        roll, pick = self.chance.random(), self.chance.choice
        if depth <= 0 or roll < 0.4:
            return pick([*self.world.places, *self.variables * 3])
        if roll < 0.6:
            return f"{self.place(depth - 1)}.{pick(('next', 'held', 'held.next', 'next.next'))}"
        if roll < 0.7:
            return f"first({self.listing(depth - 1)})"
        if roll < 0.8:
            return f"{self.place(depth - 1)}[{self.number(depth - 1)}]"
        if roll < 0.9:
            kind = pick(("Actor", "u32", "char[8]", "Actor*", "u8[4][4]", "f64", "char[4096]"))
            return f'at({self.number(depth - 1)}, "{kind}")'
        return f"{self.place(depth - 1)}.trim[{self.chance.randint(-1, 5)}]"

    def listing(self, depth: int) -> str:
        pick = self.chance.choice
        if depth <= 0 or self.chance.random() < 0.25:
            if self.world.heap and self.chance.random() < 0.5:
                return "blocks()"
            head = pick([*self.world.heads, *self.variables])
            return f"chain({head}, 'next')"
        source = self.listing(depth - 1)
        variable = f"v{len(self.variables)}_{self.chance.randrange(3)}"
        self.variables.append(variable)
        result = pick((self.number, self.place, self.number))(depth - 1)
        condition = f" if {self.number(depth - 2)}" if self.chance.random() < 0.5 else ""
        self.variables.pop()
        return f"[{result} for {variable} in {source}{condition}]"


def mutated(text: str, chance: random.Random) -> str:
    """A text with a few things wrong with it, or with a part of it many times over."""
    for _ in range(chance.randint(1, 3)):
        a, b = sorted(chance.randrange(len(text) + 1) for _ in range(2))
        part, way = text[a:b], chance.randrange(9)
        if way == 0:
            text = text[:a] + text[b:]
        elif way == 1:
            text = text[:a] + part * chance.choice((2, 3, 20, 200)) + text[b:]
        elif way == 2:
            text = text[:a] + chance.choice("()[]{}.,:;#'\"\\\0\x1b\ud800é→\n\t ") + text[a:]
        elif way == 3:
            count = chance.choice((2, 30, 100, 1000))
            text = "(" * count + text + ")" * count
        elif way == 4:
            text = chance.choice(("-", "not ", "~", "lambda: ", "2**")) * 300 + text
        elif way == 5:
            for _ in range(chance.choice((10, 45, 58))):
                text = f"({text} if 1 else 0)"
        elif way == 6:
            text = text + chance.choice((".next", "[0]", " == 1", " and 1", "+1")) * 70
        elif way == 7:
            text = text[:a] + chance.choice(
                (" for ", " if ", " in ", " else ", "await ", ":=", "*")
            )
            text += part
        else:
            text = text[b:] + text[:a]
        if len(text) > 6000:
            text = text[:6000]
    return text


class Bad(AssertionError):
    """What must not be: with all that is needed to see it again."""


@dataclass
class Fuzz:
    """``seen`` counts what came out; ``slowest`` is the longest frame, in seconds."""

    seed: int
    seen: Counter[str] = field(default_factory=Counter)
    slowest: float = 0.0
    slowest_ready: float = 0.0

    def __post_init__(self) -> None:
        self.chance = random.Random(self.seed)
        self.worlds = [chains(), blocks(False), blocks(True)]

    def run(self, seconds: float) -> None:
        """Go on for so many seconds of the processor's time; the rare first.  Raises Bad."""
        ends = time.process_time() + seconds
        self.heap_texts()
        for _ in range(20):
            self.targets()
        while time.process_time() < ends:
            roll = self.chance.random()
            if roll < 0.9:
                self.watches()
            elif roll < 0.95:
                self.heap_texts()
            else:
                self.targets()

    # one try each

    def watches(self) -> None:
        """A few watches in a few frames, whole or sparse; then one of them as a question."""
        chance, world = self.chance, self.chance.choice(self.worlds)
        writer, watches = Writer(world, chance), dict[str, str]()
        for number in range(chance.choice((1, 1, 2, 5, 30))):
            write = chance.choice((writer.number, writer.call, writer.tame, writer.tame))
            text = write(chance.randint(1, 6) + 2 * (write == writer.tame))
            if chance.random() < (0.05 if write == writer.tame else 0.3):
                text = mutated(text, chance)
            try:
                check(world.guest.layout, {**watches, f"w{number}": text})
            except ExpressionError as fault:
                self.seen["refused"] += 1
                str(fault)
                continue
            except Exception as fault:
                raise Bad(f"check of {text!r}: {fault!r}") from fault
            watches[f"w{number}"] = text
            writer.names.append(f"w{number}")
        if watches:
            try:
                self.frames(world, watches)
            except Bad:
                raise
            except Exception as fault:
                raise Bad(f"{world.name}: {watches!r}: {fault!r}") from fault

    def frames(self, world: World, watches: dict[str, str]) -> None:
        guest = world.guest
        program = check(guest.layout, watches)
        shown = [
            Watch(name, "", text, program.slots[program.watches[name]].type)
            for name, text in watches.items()
        ]
        whole = self.chance.random() < 0.5
        evaluator = Evaluator(
            program, guest.layout, guest.memory, whole=whole, processor_time=processor_time
        )
        backing = guest.image()
        for number in range(3):
            image = backing if whole else Image(guest.memory)
            took = self.frame(evaluator, image, backing, shown, number)
            if took > MOST:  # once more, and once more: a busy machine is no fault of a text
                took = min(self.frame(evaluator, image, backing, shown, number) for _ in range(3))
            self.slowest = max(self.slowest, took)
            if took > MOST:
                raise Bad(f"{world.name}: a frame of {watches!r} took {took * 1000:.1f} ms")
        for watch in shown:
            slot = program.watches[watch.name]
            fault = evaluator.faults[slot]
            self.seen[str(fault.status) if fault else "ok"] += 1
            if fault is not None and " beside " in fault.reason:
                self.seen["beside the others"] += 1
            elif fault is not None and "takes more than" in fault.reason:
                self.seen["over its budget"] += 1
        if self.chance.random() < 0.2:
            self.question(
                PreparedBuild(guest.layout, program, tuple(shown), None, None), world, evaluator
            )

    def frame(
        self,
        evaluator: Evaluator,
        image: Image,
        backing: Image,
        shown: list[Watch],
        number: int,
    ) -> float:
        """Seconds of the processor's time that a frame takes, readings and texts included."""
        gc.disable()
        began, fetching = time.thread_time(), 0.0
        missing = evaluator.evaluate(image, number)
        while missing:
            mark = time.thread_time()
            for span in image.memory.spans(missing):
                image.put(span, backing.read(span.address, span.length))
            fetching += time.thread_time() - mark
            missing = evaluator.evaluate(image, number, again=True)
        evaluator.commit()
        for watch in shown:
            slot = evaluator.program.watches[watch.name]
            if evaluator.faults[slot] is None:
                reading = Reading(watch, Status.OK, evaluator.values[slot])
                _ = reading.text, reading.distance
        took = time.thread_time() - began - fetching
        gc.enable()
        return took

    def question(self, prepared: PreparedBuild, world: World, main: Evaluator) -> None:
        """One of the watches as a question beside them, and its derivation."""
        name = self.chance.choice(prepared.watches).name
        texts = {watch.name: watch.expression for watch in prepared.watches}
        memory = world.guest.memory
        began = time.thread_time()
        try:
            asked = PreparedQuestion(
                name, None, prepared, Opened(memory, memory), main, SystemClock()
            )
        except ExpressionError:
            self.seen["refused question"] += 1
            explain(prepared, texts, name)
            return
        self.slowest_ready = max(self.slowest_ready, time.thread_time() - began)
        image = world.guest.image()
        main.budget.work.clear()
        asked.evaluate(image, 1, again=False, share_heap_with=main)
        asked.evaluator.commit()
        for reading in asked.answer(main, image, 1, 0.0, "").readings:
            _ = reading.text
        self.seen["questions"] += 1

    def heap_texts(self) -> None:
        """The schema's own expressions of the heap."""
        chance = self.chance
        writer = Writer(self.worlds[1], chance, variables=["block"])
        text = writer.number(chance.randint(1, 4))
        if chance.random() < 0.3:
            text = mutated(text, chance)
        key = chance.choice(("size", "used", "next", "payload", "magic", "generation"))
        lines = []
        for line in schema_text().splitlines():
            if line.split("=")[0].strip() == key:
                line = f"{key} = {_toml(text)}"
            lines.append(line)
        try:
            guest = Guest("\n".join(lines))
            guest.bytes[:] = self.worlds[1].guest.bytes
            program = check(
                guest.layout, {"w": "len(blocks())", "v": "sum([b.size for b in blocks()])"}
            )
        except (SchemaError, ExpressionError):
            self.seen["refused heap"] += 1
            return
        except Exception as fault:
            raise Bad(f"heap {key} = {text!r}: {fault!r}") from fault
        shown = [Watch(name, "", "", program.slots[program.watches[name]].type) for name in "wv"]
        try:
            evaluator = Evaluator(
                program, guest.layout, guest.memory, whole=True, processor_time=processor_time
            )
            image = guest.image()
            took = min(self.frame(evaluator, image, image, shown, n) for n in range(2))
        except Exception as fault:
            raise Bad(f"heap {key} = {text!r}: {fault!r}") from fault
        self.slowest = max(self.slowest, took)
        if took > MOST:
            raise Bad(f"a frame of the heap with {key} = {text!r} took {took * 1000:.1f} ms")
        self.seen["heaps"] += 1

    def targets(self) -> None:
        """Targets of any type with any number, and what they say of any value."""
        chance = self.chance
        guest = self.worlds[0].guest
        writer = Writer(self.worlds[0], chance)
        kind: ValueType | None = None
        while kind is None:
            try:
                kind = guest.type_of(writer.place(2) + "." + chance.choice(writer.world.fields))
            except ExpressionError:
                continue
        numbers = [
            0,
            -1,
            1 << 70,
            -(1 << 1024),
            1e308,
            5e-324,
            float("nan"),
            float("inf"),
            0.1,
            True,
        ]
        one, two = chance.choice(numbers), chance.choice(numbers)
        make: Callable[[], target.Target] = chance.choice(
            (
                lambda: target.equals(chance.choice((one, "lantern", "")), kind),
                lambda: target.between(one, two, kind),
                lambda: target.near(one, two, kind),
            )
        )
        try:
            aim = make()
        except ValueError:
            self.seen["refused target"] += 1
            return
        except Exception as fault:
            raise Bad(f"a target of {one!r}, {two!r} for {kind}: {fault!r}") from fault
        value = self._value(kind)
        for show in ("", *SHOWS, "fixed:20"):
            reading = Reading(Watch("w", "", "w", kind, show, aim), Status.OK, value)
            try:
                _ = reading.target, reading.distance, reading.text
            except Exception as fault:
                raise Bad(f"{value!r} as {show} of {kind}, target {aim}: {fault!r}") from fault
        self.seen["targets"] += 1

    def _value(self, kind: ValueType) -> Value:
        """A value that a watch of a type can have."""
        if kind.kind is Kind.TEXT:
            return self.chance.choice(("", "Wren", "lantern", "\x1b[2J"))
        if kind.kind is Kind.BOOLEAN:
            return self.chance.random() < 0.5
        if kind.kind is Kind.FLOAT:
            return self.chance.choice((0.0, -0.0, -1.5, 1.7e308, 5e-324))
        wide = self.chance.choice((0, 1, (1 << 1024) - 1, self.chance.getrandbits(64)))
        return wide & ((1 << (kind.bits or 1024)) - 1)


def _toml(text: str) -> str:
    """A text as TOML writes it; what TOML cannot hold is left out."""
    clean = "".join(c for c in text if c.isprintable() and not 0xD800 <= ord(c) <= 0xDFFF)
    return '"' + clean.replace("\\", "\\\\").replace('"', '\\"') + '"'


# -- whole numbers against Python's


class TooWide(Exception):
    """An intermediate value has more bits than may be."""


def oracle(text: str, most_bits: int) -> int | bool:
    """What Python makes of an expression of whole numbers, every intermediate value looked at.

    Raises TooWide, ZeroDivisionError, ValueError.
    """

    def value(node: ast.expr) -> int:
        found = _of(node)
        if found.bit_length() > most_bits:
            raise TooWide
        return found

    def _of(node: ast.expr) -> int:
        if isinstance(node, ast.Constant):
            assert isinstance(node.value, int)
            return node.value
        if isinstance(node, ast.UnaryOp):
            inner = value(node.operand)
            return -inner if isinstance(node.op, ast.USub) else ~inner
        assert isinstance(node, ast.BinOp)
        left, right = value(node.left), value(node.right)
        if isinstance(node.op, ast.Add):
            return left + right
        if isinstance(node.op, ast.Sub):
            return left - right
        if isinstance(node.op, ast.Mult):
            return left * right
        if isinstance(node.op, ast.FloorDiv):
            return left // right
        if isinstance(node.op, ast.Mod):
            return left % right
        if isinstance(node.op, ast.BitAnd):
            return left & right
        if isinstance(node.op, ast.BitOr):
            return left | right
        assert isinstance(node.op, ast.BitXor)
        return left ^ right

    return value(ast.parse(text, mode="eval").body)


def whole_numbers(chance: random.Random, depth: int) -> str:
    """An expression of whole numbers for the oracle."""
    if depth <= 0 or chance.random() < 0.1:
        return str(chance.choice((0, 1, 3, 7, (1 << 32) - 1, 1 << 63, (1 << 64) - 1)))
    if chance.random() < 0.1:
        return f"({chance.choice('-~')}{whole_numbers(chance, depth - 1)})"
    operation = chance.choice(("+", "-", "*", "*", "*", "//", "%", "&", "|", "^"))
    left, right = whole_numbers(chance, depth - 1), whole_numbers(chance, depth - 1)
    return f"({left} {operation} {right})"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=float, default=300.0, help="of the processor's time")
    parser.add_argument("--seed", type=int, default=1)
    arguments = parser.parse_args()
    fuzz = Fuzz(arguments.seed)
    fuzz.run(arguments.seconds)
    for what, count in fuzz.seen.most_common():
        print(f"{count:9,}  {what}")
    print(f"the slowest frame took {fuzz.slowest * 1000:.1f} ms of the processor's time")
    print(f"the slowest question took {fuzz.slowest_ready * 1000:.1f} ms to be made ready")


if __name__ == "__main__":
    main()
