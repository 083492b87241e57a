"""Random schemas over random memory, read by lowhalf and decoded here by shifts and masks.

Source: this file's own decoder, which shares no code with lowhalf: integers are put together from
single bytes, parts of words are taken by shift and mask, and only a float's value is asked of
Python's ``struct`` (IEEE 754 binary32 and binary64).  It knows a schema as a tree of the classes
below, from which the TOML text is written.
"""

from __future__ import annotations

import math
import random
import struct
import tempfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from hypothesis import HealthCheck, event, given, settings
from hypothesis import strategies as st

from bridge.values.status import Status
from schemas.compiler import load_schema
from tests.outside.evaluating import Found, both, ready

# -- what a schema can say


@dataclass(frozen=True)
class Number:
    """An integer or float of the schema's ``name``; ``fraction`` bits after the point."""

    name: str
    size: int
    signed: bool = False
    floating: bool = False
    fraction: int = 0


@dataclass(frozen=True)
class Names:
    """An enumeration (``flags`` false: value → name) or a set of flags (bit → name)."""

    name: str
    base: Number
    values: tuple[tuple[str, int], ...]
    flags: bool


@dataclass(frozen=True)
class Part:
    """A bit-field."""

    unit: Number | Names
    lowest: int
    width: int


@dataclass(frozen=True)
class Text:
    count: int


@dataclass(frozen=True)
class Pointer:
    """``stars`` levels of pointer to ``target``, None only behind two stars or more."""

    target: Struct | Number
    stars: int
    size: int


@dataclass(frozen=True)
class Repeated:
    element: Type
    count: int


@dataclass(frozen=True)
class Struct:
    name: str
    size: int
    says_size: bool
    fields: tuple[tuple[str, int, Type], ...]


Atom = Number | Names | Part | Text | Pointer
Type = Atom | Repeated | Struct

WIDTHS = (1, 2, 4, 8)
INTEGERS = tuple(
    Number(f"{sign}{8 * size}", size, signed=sign == "s") for size in WIDTHS for sign in "us"
)
NUMBERS = (
    *INTEGERS,
    Number("f32", 4, floating=True),
    Number("f64", 8, floating=True),
    Number("angle16", 2),
    *(Number(f"q{whole}.{part}", (whole + part) // 8, signed=True, fraction=part)
      for whole, part in ((4, 4), (8, 8), (16, 16), (1, 31), (20, 12), (32, 32))),
)  # fmt: skip


def size_of(kind: Type) -> int:
    if isinstance(kind, Names):
        return kind.base.size
    if isinstance(kind, Part):
        return size_of(kind.unit)
    if isinstance(kind, Text):
        return kind.count
    if isinstance(kind, Repeated):
        return kind.count * size_of(kind.element)
    return kind.size


def written(kind: Type) -> str:
    """The type as TOML has it."""
    if isinstance(kind, Part):
        return written(kind.unit)
    if isinstance(kind, Text):
        return f"char[{kind.count}]"
    if isinstance(kind, Pointer):
        return written(kind.target) + "*" * kind.stars
    if isinstance(kind, Repeated):
        counts = ""
        while isinstance(kind, Repeated):
            counts += f"[{kind.count}]"
            kind = kind.element
        inner = written(kind)
        # char[2][3] are two texts of three bytes: the text's own length comes last
        name, bracket, length = inner.partition("[")
        return name + counts + bracket + length
    return kind.name


# -- random schemas


@dataclass(frozen=True)
class Made:
    """A schema, where its symbols are, and the memory of its regions."""

    order: str
    pointer_size: int
    unaligned: bool
    regions: tuple[tuple[int, int, int | None], ...]
    names: tuple[Names, ...]
    structs: tuple[Struct, ...]
    symbols: tuple[tuple[str, Type, int], ...]
    seed: int

    @property
    def toml(self) -> str:
        lines = ['[game]\nname = "Tidewright"\n[memory]']
        lines.append(f'endian = "{"big" if self.order == ">" else "little"}"')
        lines.append(f"pointer_size = {self.pointer_size}")
        lines.append(f"unaligned_loads = {str(self.unaligned).lower()}")
        rows = []
        for number, (start, size, mirror) in enumerate(self.regions):
            mirrors = "" if mirror is None else f", mirrors = [{mirror:#x}]"
            rows.append(f'{{ name = "r{number}", start = {start:#x}, size = {size}{mirrors} }}')
        lines.append(f"regions = [ {', '.join(rows)} ]")
        for names in self.names:
            values = ", ".join(f"{name} = {value}" for name, value in names.values)
            section, key = ("flags", "bits") if names.flags else ("enums", "values")
            lines.append(f'[{section}.{names.name}]\nbase = "{names.base.name}"')
            lines.append(f"{key} = {{ {values} }}")
        # a type may be used before it is defined
        for struct_ in reversed(self.structs):
            lines.append(f"[structs.{struct_.name}]")
            if struct_.says_size:
                lines.append(f"size = {struct_.size}")
            lines.append(f"[structs.{struct_.name}.fields]")
            for name, offset, kind in struct_.fields:
                bits = f", bits = [{kind.lowest}, {kind.width}]" if isinstance(kind, Part) else ""
                lines.append(f'{name} = {{ at = {offset}, type = "{written(kind)}"{bits} }}')
        lines.append("[symbols]")
        lines += [f'{name} = "{written(kind)}"' for name, kind, _ in self.symbols]
        lines.append("[builds.only.at]")
        lines += [f"{name} = {address:#x}" for name, _, address in self.symbols]
        return "\n".join(lines)


@st.composite
def enumerations(draw: st.DrawFn, name: str) -> Names:
    base = draw(st.sampled_from(INTEGERS))
    low = -(1 << 8 * base.size - 1) if base.signed else 0
    span = st.integers(low, low + (1 << 8 * base.size) - 1) | st.integers(0, 5)
    values = draw(st.lists(span, min_size=1, max_size=5))  # equal ones are two names of one value
    return Names(name, base, tuple((f"e{n}", value) for n, value in enumerate(values)), False)


@st.composite
def flag_sets(draw: st.DrawFn, name: str) -> Names:
    base = draw(st.sampled_from([each for each in INTEGERS if not each.signed]))
    bits = draw(st.lists(st.integers(0, 8 * base.size - 1), min_size=1, max_size=5, unique=True))
    return Names(name, base, tuple((f"b{n}", bit) for n, bit in enumerate(bits)), True)


@st.composite
def parts(draw: st.DrawFn, names: Sequence[Names]) -> Part:
    units: list[Number | Names] = [*INTEGERS, *names]
    unit = draw(st.sampled_from(units))
    bits = 8 * size_of(unit)
    width = draw(st.integers(1, bits))
    return Part(unit, draw(st.integers(0, bits - width)), width)


@st.composite
def types(
    draw: st.DrawFn, names: Sequence[Names], structs: Sequence[Struct], pointer_size: int
) -> Type:
    choices: list[st.SearchStrategy[Type]] = [
        st.sampled_from(NUMBERS),
        st.sampled_from(names),
        parts(names),
        st.integers(1, 9).map(Text),
        st.builds(
            Pointer,
            st.sampled_from([*NUMBERS, *structs]),
            st.sampled_from([1, 1, 1, 2]),
            st.just(pointer_size),
        ),
    ]
    if structs:
        choices.append(st.sampled_from(structs))
    kind = draw(st.one_of(choices))
    if not isinstance(kind, Part):
        for _ in range(draw(st.sampled_from([0, 0, 0, 1, 1, 2]))):
            kind = Repeated(kind, draw(st.integers(1, 3)))
    return kind


@st.composite
def structs_of(
    draw: st.DrawFn, number: int, names: Sequence[Names], known: Sequence[Struct], pointer: int
) -> Struct:
    """Fields one behind the other, over one another, or with gaps; few of them aligned."""
    fields = []
    free = 0
    for index in range(draw(st.integers(1, 5))):
        kind = draw(types(names, known, pointer))
        where = draw(st.sampled_from(["behind", "aligned", "gap", "over"]))
        offset = free
        if where == "aligned":
            offset = -(-free // 8) * 8
        elif where == "gap":
            offset = free + draw(st.integers(1, 40))
        elif where == "over":
            offset = draw(st.integers(0, free))
        fields.append((f"f{index}", offset, kind))
        free = max(free, offset + size_of(kind))
    says_size = draw(st.booleans())
    size = free + (draw(st.integers(0, 20)) if says_size else 0)
    return Struct(f"S{number}", size, says_size, tuple(fields))


STARTS = {2: (0x4000, 0x9000, 0xC000), 4: (0x8000_0000, 0x9000_0000, 0xA000_0000)}
STARTS[8] = (0x1_2000_0000, 0x7_0000_0000, 0xFFFF_FFFF_8000_0000)


@st.composite
def schemas(draw: st.DrawFn) -> Made:
    pointer_size = draw(st.sampled_from([2, 4, 4, 8]))
    names = [draw(enumerations("E0")), draw(enumerations("E1"))]
    names += [draw(flag_sets("F0")), draw(flag_sets("F1"))]
    structs: list[Struct] = []
    for number in range(draw(st.integers(1, 3))):
        structs.append(draw(structs_of(number, names, structs, pointer_size)))
    kinds: list[Type] = []
    for _ in range(draw(st.integers(1, 3))):
        kind = draw(st.sampled_from(structs) | types(names, structs, pointer_size))
        kinds.append(kind.unit if isinstance(kind, Part) else kind)
    first, second, mirror = STARTS[pointer_size]
    # no symbol may leave its region, what pointers lead to may
    largest = max(map(size_of, kinds))
    sizes = st.integers(max(0x180, largest), max(0x700, largest + 8))
    regions = [(first, draw(sizes), mirror if draw(st.booleans()) else None)]
    if draw(st.booleans()):
        regions.append((second, draw(sizes), None))
    symbols = []
    for number, kind in enumerate(kinds):
        start, size, _ = draw(st.sampled_from(regions))
        at = draw(st.integers(0, size - max(1, size_of(kind))))
        symbols.append((f"s{number}", kind, start + at))
    return Made(
        draw(st.sampled_from("<>")),
        pointer_size,
        draw(st.booleans()),
        tuple(regions),
        tuple(names),
        tuple(structs),
        tuple(symbols),
        draw(st.integers(0, 2**32)),
    )


# -- random memory


def put(memory: bytearray, place: int, value: int, size: int, order: str) -> None:
    for byte in range(size):
        index = size - 1 - byte if order == ">" else byte
        memory[place + index] = value >> 8 * byte & 0xFF


def memories(made: Made) -> list[bytes]:
    """Random bytes, with stretches of zeros and ones, texts that end early, and many words that
    are pointers: null, into a region, or out of every one."""
    chance = random.Random(made.seed)
    starts = [(start, size) for start, size, _ in made.regions]
    starts += [(mirror, size) for _, size, mirror in made.regions if mirror is not None]
    regions = []
    for _, size, _ in made.regions:
        memory = bytearray(chance.randbytes(size))
        for _ in range(size // 32):
            place, count = chance.randrange(size - 8), chance.randrange(1, 9)
            memory[place : place + count] = chance.choice([b"\0", b"\xff", b"a"]) * count
        regions.append(memory)
    for _, _, pointer_at in pointers_of(made):
        for number, (start, size, _) in enumerate(made.regions):
            if start <= pointer_at and pointer_at + made.pointer_size <= start + size:
                aim, room = chance.choice(starts)
                value = aim + chance.randrange(room)
                if chance.random() < 0.8:
                    value &= ~7
                value = chance.choice([value, value, value, value, 0, aim + room + 64])
                put(regions[number], pointer_at - start, value, made.pointer_size, made.order)
    return [bytes(memory) for memory in regions]


def pointers_of(made: Made) -> Iterator[tuple[str, Type, int]]:
    for name, kind, address in made.symbols:
        for path, leaf, offset in leaves_of(kind, name):
            if isinstance(leaf, Pointer):
                yield path, leaf, address + offset


def leaves_of(kind: Type, path: str, offset: int = 0) -> Iterator[tuple[str, Atom, int]]:
    if isinstance(kind, Struct):
        for name, at, field in kind.fields:
            yield from leaves_of(field, f"{path}.{name}", offset + at)
    elif isinstance(kind, Repeated):
        for index in range(kind.count):
            element = offset + index * size_of(kind.element)
            yield from leaves_of(kind.element, f"{path}[{index}]", element)
    else:
        yield path, kind, offset


# -- the decoder


@dataclass(frozen=True)
class Wanted:
    """What a path must give; an address is only promised where there is a value."""

    status: Status
    value: Any = None
    address: int | None = None
    text: str | None = None


class Decoder:
    def __init__(self, made: Made, memory: Sequence[bytes]) -> None:
        self.made = made
        self.memory = memory

    def load(self, address: int, size: int) -> bytes | None:
        for (start, length, mirror), data in zip(self.made.regions, self.memory, strict=True):
            for base in (start, mirror):
                if base is not None and base <= address and address + size <= base + length:
                    return data[address - base : address - base + size]
        return None

    def unsigned(self, raw: bytes) -> int:
        value = 0
        for byte in raw if self.made.order == ">" else reversed(raw):
            value = value << 8 | byte
        return value

    def read(self, kind: Atom, address: int) -> Wanted:
        raw = self.load(address, size_of(kind))
        if raw is None:
            return Wanted(Status.UNMAPPED)
        value, text = self.decode(kind, raw)
        if isinstance(value, float) and not math.isfinite(value):
            return Wanted(Status.ERROR)
        return Wanted(Status.OK, value, address, text)

    def cannot_load(self, kind: Atom, pointer: int, offset: int) -> bool:
        """Whether a load through a pointer would trap: an integer wants its own size or a
        register's, a float its size; a field that is packed out of line is loaded in bytes."""
        if self.made.unaligned or isinstance(kind, Text):
            return False
        floating = isinstance(kind, Number) and kind.floating
        size = size_of(kind)
        align = size if floating else min(size, self.made.pointer_size)
        return offset % align == 0 and pointer % align != 0

    def decode(self, kind: Atom, raw: bytes) -> tuple[Any, str | None]:
        """The value, and its text where it has names."""
        if isinstance(kind, Text):
            return decode_text(raw), None
        word = self.unsigned(raw)
        if isinstance(kind, Number) and kind.floating:
            letter = "f" if kind.size == 4 else "d"
            return struct.unpack(self.made.order + letter, raw)[0], None
        if isinstance(kind, Pointer):
            return word, None
        lowest, width = 0, 8 * len(raw)
        unit: Number | Names = kind.unit if isinstance(kind, Part) else kind
        if isinstance(kind, Part):
            lowest, width = kind.lowest, kind.width
        base = unit.base if isinstance(unit, Names) else unit
        value = word >> lowest & (1 << width) - 1
        if base.signed and value >= 1 << width - 1:
            value -= 1 << width
        if isinstance(unit, Names):
            return value, names_text(unit, value, lowest, width)
        if base.fraction:
            return value / 2.0**base.fraction, None
        return value, None


def names_text(unit: Names, value: int, lowest: int, width: int) -> str | None:
    """None where nothing is promised: for a part of a set of flags in which no bit has a name."""
    if unit.flags and not any(lowest <= bit < lowest + width for _, bit in unit.values):
        return None
    if not unit.flags:
        named = [name for name, number in unit.values if number == value]
        return named[0] if named else str(value)
    said, rest = [], value
    for bit, name in sorted((bit - lowest, name) for name, bit in unit.values):
        if 0 <= bit < width and value >> bit & 1:
            said.append(name)
            rest -= 1 << bit
    if rest:
        said.append(f"0x{rest:X}")
    return ", ".join(said) or "none"


def decode_text(raw: bytes) -> str:
    """Up to the first NUL; a byte that is no UTF-8 as a backslash, x and two digits."""
    text, rest = "", raw.partition(b"\0")[0]
    while rest:
        for length in (1, 2, 3, 4):
            try:
                text += rest[:length].decode()
            except UnicodeDecodeError:
                continue
            rest = rest[length:]
            break
        else:
            text += f"\\x{rest[0]:02x}"
            rest = rest[1:]
    return text


def wanted_of(made: Made, decoder: Decoder) -> dict[str, Wanted]:
    """Expression → what it must give: every leaf, its parts, and what each pointer leads to."""
    found: dict[str, Wanted] = {}
    for name, kind, base in made.symbols:
        for path, leaf, offset in leaves_of(kind, name):
            add(found, decoder, path, leaf, base + offset)
            if isinstance(leaf, Pointer):
                add_followed(found, decoder, path, leaf, base + offset)
    return found


def add(found: dict[str, Wanted], decoder: Decoder, path: str, leaf: Atom, address: int) -> None:
    found[path] = decoder.read(leaf, address)
    unit = leaf.unit if isinstance(leaf, Part) else leaf
    if isinstance(unit, Names) and unit.flags:
        add_flags(found, decoder, path, leaf, unit, address)
    if isinstance(leaf, Text | Part):
        return
    size = size_of(leaf)
    first_is_high = decoder.made.order == ">"
    pieces = {f"bits({path})": (0, size), f"byte({path}, 0)": (size - 1 if first_is_high else 0, 1)}
    if size > 1:
        half = size // 2
        pieces[f"high({path})"] = (0 if first_is_high else half, half)
        pieces[f"low({path})"] = (half if first_is_high else 0, half)
    for expression, (offset, count) in pieces.items():
        raw = decoder.load(address + offset, count)
        status = Status.UNMAPPED if raw is None else Status.OK
        value = None if raw is None else decoder.unsigned(raw)
        found[expression] = Wanted(status, value, None if raw is None else address + offset)


def add_flags(
    found: dict[str, Wanted], decoder: Decoder, path: str, leaf: Atom, unit: Names, address: int
) -> None:
    lowest = leaf.lowest if isinstance(leaf, Part) else 0
    width = leaf.width if isinstance(leaf, Part) else 8 * size_of(leaf)
    raw = decoder.load(address, size_of(unit))
    for name, bit in unit.values:
        if lowest <= bit < lowest + width:
            value = None if raw is None else decoder.unsigned(raw) >> bit & 1 == 1
            status = Status.UNMAPPED if raw is None else Status.OK
            found[f"{path}.{name}"] = Wanted(status, value, None if raw is None else address)


def add_followed(
    found: dict[str, Wanted], decoder: Decoder, path: str, leaf: Pointer, address: int
) -> None:
    """One pointer followed: element 0 and 1 of what it leads to, fields without an index too."""
    raw = decoder.load(address, leaf.size)
    pointer = None if raw is None else decoder.unsigned(raw)
    target: Type = leaf.target
    if leaf.stars > 1:
        target = Pointer(leaf.target, leaf.stars - 1, leaf.size)
    for index in (0, 1):
        for inner, kind, offset in leaves_of(target, f"{path}[{index}]", index * size_of(target)):
            expressions = [inner]
            if index == 0 and isinstance(target, Struct):
                expressions.append(path + inner.removeprefix(f"{path}[0]"))
            wanted = Wanted(Status.UNMAPPED)
            if pointer == 0:
                wanted = Wanted(Status.NULL)
            elif pointer is not None and decoder.cannot_load(kind, pointer, offset):
                wanted = Wanted(Status.MISALIGNED)
            elif pointer is not None:
                wanted = decoder.read(kind, pointer + offset)
            found |= dict.fromkeys(expressions, wanted)


def agree(found: Found, wanted: Wanted) -> bool:
    if found.status is not wanted.status:
        return False
    if wanted.status is not Status.OK:
        return found.value is None and bool(found.reason)
    same = type(found.value) is type(wanted.value) and found.value == wanted.value
    if isinstance(wanted.value, float) and isinstance(found.value, float):
        same = struct.pack(">d", found.value) == struct.pack(">d", wanted.value)
    named = wanted.text is None or found.text == wanted.text
    return same and named and found.address == wanted.address


# -- the properties

QUICK = settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])
MAX_PATHS = 400


@QUICK
@given(schemas())
def test_every_reading_is_that_of_the_decoder(made: Made) -> None:
    """Source: the decoder above.  Evaluated against a whole and a sparse image."""
    memory = memories(made)
    wanted = wanted_of(made, Decoder(made, memory))
    chosen = list(wanted)
    random.Random(made.seed).shuffle(chosen)
    chosen = chosen[:MAX_PATHS]
    for status in {wanted[path].status for path in chosen}:
        event(f"a reading is {status}")
    with tempfile.TemporaryDirectory() as directory:
        found = both(ready(Path(directory), made.toml, chosen), memory)
    wrong = {
        path: (found[path], wanted[path]) for path in chosen if not agree(found[path], wanted[path])
    }
    assert not wrong


@QUICK
@given(schemas())
def test_a_whole_structs_parse_is_its_fields_decoded(made: Made) -> None:
    """Source: the decoder above, against construct's parse of the struct's bytes alone."""
    with tempfile.TemporaryDirectory() as directory:
        path = Path(directory) / "made.schema.toml"
        path.write_text(made.toml, "utf-8")
        layout = load_schema(path).builds["only"]
    chance = random.Random(made.seed)
    decoder = Decoder(made, memories(made))
    for struct_ in made.structs:
        construct = layout.type(struct_.name)
        assert construct.sizeof() == struct_.size
        for _ in range(5):
            data = chance.randbytes(struct_.size)
            assert same_parsed(construct.parse(data), decoded(decoder, struct_, data))


def decoded(decoder: Decoder, kind: Type, data: bytes) -> Any:
    if isinstance(kind, Struct):
        return {
            name: decoded(decoder, field, data[at : at + size_of(field)])
            for name, at, field in kind.fields
        }
    if isinstance(kind, Repeated):
        size = size_of(kind.element)
        return [
            decoded(decoder, kind.element, data[size * n : size * n + size])
            for n in range(kind.count)
        ]
    return decoder.decode(kind, data)[0]


def same_parsed(parsed: Any, wanted: Any) -> bool:
    if isinstance(wanted, dict):
        return list(parsed) == list(wanted) and all(
            same_parsed(parsed[name], wanted[name]) for name in wanted
        )
    if isinstance(wanted, list):
        return len(parsed) == len(wanted) and all(map(same_parsed, parsed, wanted))
    if isinstance(wanted, float) and math.isnan(wanted):
        return isinstance(parsed, float) and math.isnan(parsed)
    return type(parsed) is type(wanted) and bool(parsed == wanted)


@QUICK
@given(schemas())
def test_a_whole_structs_parse_is_what_the_watches_read(made: Made) -> None:
    """Two ways of lowhalf's own: construct's parse, and reads of single fields."""
    memory = memories(made)
    decoder = Decoder(made, memory)
    with tempfile.TemporaryDirectory() as directory:
        path = Path(directory) / "made.schema.toml"
        path.write_text(made.toml, "utf-8")
        layout = load_schema(path).builds["only"]
        for name, kind, address in made.symbols:
            raw = decoder.load(address, size_of(kind))
            if not isinstance(kind, Struct) or raw is None:
                continue
            parsed = layout.type(kind.name).parse(raw)
            paths = [path for path, _, _ in leaves_of(kind, name)][:MAX_PATHS]
            found = both(ready(Path(directory), made.toml, paths), memory)
            for one in paths:
                value = at_path(parsed, one.removeprefix(name))
                if isinstance(value, float) and not math.isfinite(value):
                    assert found[one].status is Status.ERROR
                else:
                    assert (found[one].status, found[one].value) == (Status.OK, value)
            event("a struct was compared")


def at_path(parsed: Any, path: str) -> Any:
    for step in path.replace("[", ".[").split(".")[1:]:
        parsed = parsed[int(step[1:-1])] if step[0] == "[" else parsed[step]
    return parsed
