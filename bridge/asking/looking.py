"""A look at the bytes that are known: what they give, and which bytes are lacking next.

The evaluator that reads a dump is run on them.  Where it comes to a byte that nobody has typed, it
stops, so what is asked for is what it would read, in its order; and what it gives in the end is
what reading a dump with those bytes gives.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from bridge.asking.aims import Aim, Aims
from bridge.evaluation.absence import Absent, NotHeld, Site
from bridge.evaluation.evaluator import Evaluator
from bridge.evaluation.frame_readings import frame_readings
from bridge.memory.address_map import LINE_SIZE, MemoryMap, Span
from bridge.memory.fetched import Part, Partial
from bridge.memory.image import Image
from bridge.readings.reading import Reading, Watch
from bridge.values.status import Status
from bridge.values.value_type import Value

__all__ = ["ABSENT_WORDS", "Lacking", "Looking", "Seen", "part_of_known"]

ABSENT_WORDS = "has not been typed yet"


@dataclass(frozen=True, slots=True)
class Lacking:
    """The first bytes that an evaluation lacked: ``site`` is the access, ``address`` canonical."""

    site: Site
    address: int


@dataclass(frozen=True, slots=True)
class Seen:
    """What a look gave, by the aims' slots: values, faults, and what is lacking."""

    values: Sequence[Value | None]
    faults: Sequence[Absent | None]
    addresses: Sequence[int | None]
    cautions: Mapping[int, str]
    readings: Mapping[str, Reading]

    def lacking(self, aim: Aim) -> Lacking | None:
        """What is needed next for an aim; None where it has its value, or a reason to have none."""
        fault = self.faults[aim.slot]
        if aim.impossible or not isinstance(fault, NotHeld) or fault.site is None:
            return None
        return Lacking(fault.site, fault.address)


class Looking:
    """Looks at what is known of one build's memory."""

    def __init__(self, aims: Aims, memory: MemoryMap) -> None:
        prepared = aims.prepared
        self._memory = memory
        self._image = Image(memory)
        self._evaluator = Evaluator(prepared.program, prepared.layout, memory, whole=False)
        self._evaluator.absent_status = Status.WAITING
        self._evaluator.absent_words = ABSENT_WORDS
        self._watches: Sequence[Watch] = prepared.watches
        self._slots = prepared.program.watches

    def look(self, known: Mapping[int, int]) -> Seen:
        """What the bytes give that are *known*, by their canonical addresses."""
        image, evaluator = self._image, self._evaluator
        image.clear()
        missing = evaluator.evaluate(image, 0)
        while missing:
            for span in self._memory.spans(missing):
                for start in range(span.address, span.end, LINE_SIZE):
                    line = Span(start, min(LINE_SIZE, span.end - start))
                    image.put(line, part_of_known(known, line))
            missing = evaluator.evaluate(image, 0, again=True)
        readings = frame_readings(evaluator, self._watches, self._slots)()
        return Seen(
            evaluator.values,
            evaluator.faults,
            evaluator.addresses,
            {slot: caution.reason for slot, caution in evaluator.cautions.items()},
            {reading.watch.name: reading for reading in readings},
        )


def part_of_known(known: Mapping[int, int], span: Span) -> Part:
    """The bytes of a span that are known, by their addresses; None where none is."""
    start, length, end = span.address, span.length, span.end
    if len(known) < length:
        there = [at for at in known if start <= at < end]
    else:
        there = [at for at in range(start, end) if at in known]
    if not there:
        return None
    data, held = bytearray(length), bytearray(length)
    for at in there:
        data[at - start], held[at - start] = known[at], 1
    return bytes(data) if 0 not in held else Partial(bytes(data), bytes(held))
