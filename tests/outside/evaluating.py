"""A schema's text, expressions and bytes in; what lowhalf reads from them out.

Every expression is evaluated twice: against a whole image, and against a sparse one that begins
without a line and gets the lines that are asked for, as from a live source.  Bytes that have not
come are junk there, so that a read of a line that nobody fetched shows.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from bridge.evaluation.evaluator import Evaluator
from bridge.memory.address_map import MemoryMap
from bridge.memory.image import Image
from bridge.prepared import PreparedBuild, memory_map, prepare
from bridge.readings.reading import Reading
from bridge.values.status import Status
from bridge.values.value_type import Value
from schemas.loader import load_bridge

MAX_BATCHES = 50


@dataclass(frozen=True)
class Found:
    """What a watch gave: its status, its value where it is ok, else the reason."""

    status: Status
    value: Value | None
    address: int | None
    text: str
    reason: str


@dataclass(frozen=True)
class Ready:
    """A schema with watches, compiled for one build."""

    prepared: PreparedBuild
    memory: MemoryMap

    def evaluator(self, *, whole: bool) -> Evaluator:
        # what is compared are values; a slow machine's budget would end the two at other places
        program, layout = self.prepared.program, self.prepared.layout
        return Evaluator(program, layout, self.memory, whole=whole)

    def whole(self, parts: Sequence[bytes]) -> dict[str, Found]:
        """Expression → what it gives of a whole image; *parts* are the bytes of each region."""
        evaluator = self.evaluator(whole=True)
        missing = evaluator.evaluate(Image.of(self.memory, parts), 1)
        assert not missing
        return self.found(evaluator)

    def sparse(self, parts: Sequence[bytes]) -> dict[str, Found]:
        """The same of an image whose lines come only when asked for."""
        evaluator, image = self.evaluator(whole=False), Image(self.memory)
        image.bytes[:] = b"\xa5" * len(image.bytes)
        backing = Image.of(self.memory, parts)
        missing = evaluator.evaluate(image, 1)
        batches = 0
        while missing:
            batches += 1
            assert batches < MAX_BATCHES
            assert not any(image.held[line] for line in missing), "a line was asked for twice"
            for span in self.memory.spans(missing):
                image.put(span, backing.read(span.address, span.length))
            missing = evaluator.evaluate(image, 1, again=True)
        return self.found(evaluator)

    def found(self, evaluator: Evaluator) -> dict[str, Found]:
        results = {}
        for watch in self.prepared.watches:
            slot = self.prepared.program.watches[watch.name]
            fault, address = evaluator.faults[slot], evaluator.addresses[slot]
            if fault is not None:
                results[watch.expression] = Found(fault.status, None, address, "", fault.reason)
                continue
            reading = Reading(watch, Status.OK, evaluator.values[slot], address)
            value = evaluator.values[slot]
            results[watch.expression] = Found(Status.OK, value, address, reading.text, "")
        return results


def ready(directory: Path, schema: str, expressions: Sequence[str]) -> Ready:
    """Writes the schema and a bridge file that watches *expressions*, and loads both."""
    (directory / "made.schema.toml").write_text(schema, "utf-8")
    lines = ['schema = "made.schema.toml"', '[source]\nkind = "fake"\nbyte_order = "big"']
    for number, expression in enumerate(expressions):
        lines.append(f'[[watches]]\nname = "w{number}"\nexpr = {json.dumps(expression)}')
    path = directory / "made.bridge.toml"
    path.write_text("\n".join(lines), "utf-8")
    bridge = load_bridge(path)
    (prepared,) = prepare(bridge).values()
    return Ready(prepared, memory_map(bridge.schema))


def both(one: Ready, parts: Sequence[bytes]) -> Mapping[str, Found]:
    """What both ways of evaluation give, which must be the same; NaN never is a value."""
    whole, sparse = one.whole(parts), one.sparse(parts)
    assert whole == sparse
    return whole
