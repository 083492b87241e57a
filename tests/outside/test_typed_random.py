"""Random schemas over random memory, typed answer by answer, against the same memory as it is read.

Source: the decoder of ``test_random_schemas``, which shares no code with lowhalf, and Python's
``struct`` and ``repr`` for the texts that are typed.
"""

from __future__ import annotations

import math
import random
import struct
import tempfile
from collections.abc import Sequence
from pathlib import Path

from hypothesis import HealthCheck, event, given, settings

from bridge.asking.asking import Asking, Outcome
from bridge.asking.question import Question, canonical
from bridge.asking.reached import Standing
from bridge.values.status import Status
from schemas.layout import Scalar
from tests.outside.evaluating import ready
from tests.outside.test_random_schemas import Decoder, Made, agree, memories, schemas, wanted_of

FEW = settings(max_examples=12, deadline=None, suppress_health_check=[HealthCheck.too_slow])
MAX_WATCHES = 24


@FEW
@given(schemas())
def test_the_values_typed_are_those_that_are_read(made: Made) -> None:
    memory = memories(made)
    decoder = Decoder(made, memory)
    wanted = wanted_of(made, decoder)
    dice = random.Random(made.seed)
    chosen = dice.sample(list(wanted), min(MAX_WATCHES, len(wanted)))
    with tempfile.TemporaryDirectory() as directory:
        one = ready(Path(directory), made.toml, chosen)
    asking = Asking({"only": one.prepared}, one.memory)
    asked: set[int] = set()
    while (question := asking.question) is not None:
        place = range(question.address, question.address + question.size)
        assert asked.isdisjoint(place), f"asked twice: {question}"
        asked.update(place)
        assert set(question.needed_by) <= set(one.prepared.program.watches)
        data = decoder.load(question.address, question.size)
        assert data is not None
        outcome, words = asking.answer(typed(question, data, made.order, dice))
        event(f"an answer is {outcome}")
        if outcome is Outcome.DOUBTED:
            outcome, words = asking.confirm()
        assert outcome is Outcome.TAKEN, words
        assert asking.log[-1].data == data
    for reached in asking.reached:
        reading = reached.reading
        assert reading is not None
        assert reached.standing is (
            Standing.VALUE if reading.status is Status.OK else Standing.ABSENT
        )
    found = one.whole(memory)
    readings = {each.aim.name: each.reading for each in asking.reached}
    for number, expression in enumerate(chosen):
        reading = readings[f"w{number}"]
        assert reading is not None
        assert agree(found[expression], wanted[expression])
        assert reading.status is wanted[expression].status
        if reading.status is Status.OK:
            assert (reading.value, reading.address) == (
                found[expression].value,
                found[expression].address,
            )


@settings(FEW, max_examples=8)
@given(schemas())
def test_the_addresses_reached_are_those_that_are_read(made: Made) -> None:
    memory = memories(made)
    decoder = Decoder(made, memory)
    wanted = {
        path: each
        for path, each in wanted_of(made, decoder).items()
        if each.status in (Status.OK, Status.NULL)
    }
    dice = random.Random(made.seed)
    chosen = dice.sample(list(wanted), min(MAX_WATCHES, len(wanted)))
    with tempfile.TemporaryDirectory() as directory:
        one = ready(Path(directory), made.toml, chosen)
    asking = Asking({"only": one.prepared}, one.memory, addresses=True)
    while (question := asking.question) is not None:
        assert question.is_pointer
        data = decoder.load(question.address, question.size)
        assert data is not None
        asking.answer(typed(question, data, made.order, dice))
        asking.confirm()
        assert asking.log[-1].data == data
    reached = {each.aim.name: each for each in asking.reached}
    for number, expression in enumerate(chosen):
        each, known = reached[f"w{number}"], wanted[expression]
        if known.status is Status.NULL:
            assert each.standing is Standing.ABSENT
        else:
            # a mirror's address is told as that of the region itself
            assert known.address is not None
            assert each.address == canonical(one.memory, known.address)


def typed(question: Question, data: bytes, order: str, dice: random.Random) -> str:
    """The bytes as somebody may type them."""
    number = int.from_bytes(data, "big" if order == ">" else "little")
    forms = [data.hex(" ")]
    if len(data) > 2:  # digits in one group are a number's, the highest first
        forms.append(" ".join(pairs(data.hex())))
    if question.is_number:
        forms += [f"0x{number:x}", f"{number:0{2 * len(data)}X}"]
        leaf = question.whole
        if "decimal" in question.answers and not question.names:
            signed = isinstance(leaf, Scalar) and leaf.signed
            negative = signed and (data[0] if order == ">" else data[-1]) & 0x80
            forms.append(f"{number - (1 << 8 * len(data)) if negative else number:+}")
        if isinstance(leaf, Scalar) and leaf.floating:
            value = struct.unpack(order + ("f" if leaf.size == 4 else "d"), data)[0]
            forms += [repr(value)] if math.isfinite(value) else []
    else:
        forms.append(data.hex().upper())
    return dice.choice(forms)


def pairs(digits: str) -> Sequence[str]:
    return [digits[n : n + 4] for n in range(0, len(digits), 4)]
