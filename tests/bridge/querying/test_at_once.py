"""Evaluation over many frames at once is equal to the engine, frame for frame and bit for bit.

Expressions are written by the grammar of ``tests.outside.fuzz_expressions`` and by one of reads and
pointers; frames write anything anywhere, above all pointers to anywhere.
"""

from __future__ import annotations

import random
import struct
from collections.abc import Sequence
from dataclasses import replace

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from bridge.expressions.compiling import check
from bridge.querying.asked import Asked
from bridge.querying.query import Plan
from schemas.errors import ExpressionError
from tests.bridge.made_guest import COURIER, CRATE, LANTERN, PADDED, RING, tidewright
from tests.bridge.querying.made_stretch import MadeFrame, columns_of, stretch_of, told
from tests.outside.fuzz_expressions import Writer, chains

POINTERS = [0x8000_0100 + 4 * n for n in range(13)]
AIMS = [
    *(0, 1, COURIER, LANTERN, CRATE, RING, PADDED, COURIER + 2, COURIER + 0x2000_0000, 0x8001_0000),
    *(
        0x8000_FFFC,
        0x8000_FFFE,
        0x8001_0000 - 0x20,
        0x9000_0FFE,
        0x7FFF_FFFF,
        0xFFFF_FFFF,
        0x8000_00F0,
    ),
]
FIELDS = (
    *("kind", "tide", "small", "flags", "name", "position.x", "position.z", "facing", "depth"),
    *("word", "big", "drift", "real", "fine", "hue", "lean", "mode", "part", "trim[1]", "trim[3]"),
    *("grid[1][2]", "held", "next", "holder", "flags.carried", "part.visible"),
)
PLACES = ("courier", "head", "nothing", "wild", "odd", "edge", "ring", "mirror", "padded")
ONE_CALL = (
    *("low({})", "high({})", "byte({}, 1)", "bits({})", "address({})", "sin({})", "abs({})"),
    *("round({})", "sqrt({})", "signed({}, 8)", "unsigned({}, 16)", "degrees({})", "floor({})"),
)
SOME = (
    *("courier.trim[courier.kind]", "courier.grid[courier.small % 3][head.small % 4]"),
    *("numbers[step]", "courier.watchers[courier.mode].word", "courier.holder[0].word"),
    *("at(0x8000_1000 + step, 'u32')", "at(courier.word, 's16')", "at(head + 0x10, 'f32')"),
    *("courier.name == 'Wren'", "head.name < courier.name", "'x' if step else head.name"),
    *("step / courier.depth", "courier.big / 3", "courier.drift // step", "courier.drift % 7"),
    *("courier.big == courier.real", "courier.drift < 0.5", "-courier.drift", "~courier.big"),
    *("courier.big * courier.big * courier.big", "1.5 ** step", "2 ** courier.small", "step << 3"),
    *("courier.big >> step", "step >> courier.small", "courier.fine % 0.25", "step // 0.1"),
    *(
        "broken + endless",
        "broken if step > 0 else 1",
        "step > 0 and broken > 0",
        "0 < step < broken",
    ),
    # a whole number that a binary64 does not hold is not rounded before it is compared
    *("step - step + 9007199254740993 == 9007199254740992.0",),
    *("hypot(head.position.x, head.position.y)", "turn(courier.facing, head.facing)"),
    *("courier.held != 0 and courier.held.word > 3", "1 / step if step else 0", "not courier.held"),
)


def reads(chance: random.Random) -> str:
    """An expression of reads through pointers."""
    place = chance.choice(PLACES)
    for _ in range(chance.randrange(3)):
        place += chance.choice((".held", ".next", ".held", ".watchers[1]", ".holder[0]"))
    one = f"{place}.{chance.choice(FIELDS)}"
    roll = chance.random()
    if roll < 0.5:
        return one
    if roll < 0.6:
        return chance.choice(ONE_CALL).format(one)
    other = chance.choice((reads(chance), chance.choice(SOME), str(chance.randrange(-3, 300))))
    if roll < 0.9:
        op = chance.choice(
            ["+", "-", "*", "/", "//", "%", "&", "|", "^", "<<", ">>", "==", "<", ">=", "and", "or"]
        )
        return f"({one}) {op} ({other})"
    return f"({one}) if ({reads(chance)}) else ({other})"


def frames(chance: random.Random, count: int, holes: bool) -> list[MadeFrame]:
    made = []
    for number in range(count):
        writes: list[tuple[int, bytes]] = []
        for _ in range(chance.randrange(6)):
            roll = chance.random()
            if roll < 0.4:
                at, data = chance.choice(POINTERS), struct.pack(">I", chance.choice(AIMS))
            elif roll < 0.7:
                at = chance.choice((COURIER, LANTERN, CRATE, RING, PADDED)) + chance.randrange(0x80)
                data = chance.randbytes(chance.randrange(1, 9))
            elif roll < 0.8:
                at = chance.choice((COURIER, LANTERN)) + chance.choice(
                    (0x20, 0x24, 0x68, 0x6C, 0x70)
                )
                data = struct.pack(">I", chance.choice(AIMS))
            elif roll < 0.9:
                at, data = 0x8000_0130, struct.pack(">i", chance.randrange(-4, 70))
            elif roll < 0.95:
                # a whole line, as a recording has it, and what goes over the ends of lines
                at, data = COURIER & ~0xFF, chance.randbytes(chance.choice((256, 512, 300)))
            else:
                at, data = 0x9000_0FF0, chance.randbytes(0x40)  # over the end of its region
            writes.append((at, data))
        gone = []
        if holes and chance.random() < 0.2:
            at = chance.choice((COURIER, LANTERN, 0x8000_0100, PADDED)) + chance.randrange(
                -40, 0x40
            )
            gone.append((at, chance.choice((chance.randrange(1, 40), 600))))
        made.append(MadeFrame(100 + number, writes, gone))
    return made


def asked_of_texts(texts: Sequence[str]) -> Asked | None:
    guest = tidewright()
    watches = {f"w{n}": text for n, text in enumerate(texts)}
    good = {}
    for name, text in watches.items():
        try:
            check(guest.layout, {name: text})
        except ExpressionError:
            continue
        good[name] = text
    if not good:
        return None
    program = check(guest.layout, good)
    return Asked(guest.layout, program, tuple(program.watches.values()), ())


def compare(seed: int, texts: Sequence[str], *, holes: bool) -> int:
    """Hold both against each other; gives how many columns were evaluated at once."""
    chance = random.Random(seed)
    asked = asked_of_texts(texts)
    if asked is None:
        return 0
    guest = tidewright()
    plan = Plan(asked, guest.memory)
    # those that do not fit are evaluated by the engine in both
    fitting = replace(asked, columns=tuple(s for s in asked.columns if s in plan.at_once))
    if not fitting.columns:
        return 0
    made = frames(chance, 40, holes)
    cut = chance.randrange(1, 40)
    stretches = [stretch_of(made[:cut]), stretch_of(made[cut:], cut)]
    unknown = []
    if holes:
        unknown = [(COURIER + chance.randrange(0x80), chance.randrange(1, 64)), (0x8000_0104, 2)]
    mine = columns_of(guest, fitting, stretches, unknown, at_once=True)
    engines = columns_of(guest, fitting, stretches, unknown, at_once=False)
    for slot, column, other in zip(fitting.columns, mine, engines, strict=True):
        assert told(column) == told(other), fitting.program.slots[slot].text
    return len(fitting.columns)


RANDOM = settings(max_examples=12, deadline=None, suppress_health_check=[HealthCheck.too_slow])


@RANDOM
@given(seed=st.integers(0, 1 << 32), holes=st.booleans())
def test_reads_and_pointers(seed: int, holes: bool) -> None:
    chance = random.Random(seed)
    texts = [reads(chance) for _ in range(25)]
    assert compare(seed, texts, holes=holes) > 5


@RANDOM
@given(seed=st.integers(0, 1 << 32), holes=st.booleans())
def test_anything_that_the_grammar_gives(seed: int, holes: bool) -> None:
    chance = random.Random(seed)
    writer = Writer(chains(), chance)
    compare(seed, [writer.number(4) for _ in range(60)], holes=holes)


@pytest.mark.parametrize("holes", [False, True])
def test_what_is_known_to_be_hard(holes: bool) -> None:
    for seed in range(4):
        assert compare(seed, SOME, holes=holes) >= len(SOME) - 2


@pytest.mark.full
@settings(max_examples=3000, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(seed=st.integers(0, 1 << 32), holes=st.booleans())
def test_many_more(seed: int, holes: bool) -> None:
    chance = random.Random(seed)
    writer = Writer(chains(), chance)
    texts = [*(reads(chance) for _ in range(25)), *(writer.number(4) for _ in range(40)), *SOME]
    compare(seed, texts, holes=holes)
