"""Slots evaluated over many frames at once: what generated code does for one, with arrays for all.

Every operation is done for all frames.  Where one of the checks fails that generated code makes,
the frame gets the status that it would raise, and what is computed of it afterwards means nothing:
the first fault counts.  In a branch that a frame does not take, nothing counts.

Whole numbers are int64 where they surely fit, which ``bridge.expressions.widths`` tells, and else
Python's own; what numpy does otherwise than Python is left to Python, element by element.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from typing import Any

import numpy as np
from numpy.typing import NDArray

from bridge.expressions import nodes
from bridge.expressions.arithmetic import bounded, finite
from bridge.expressions.program import Program
from bridge.expressions.widths import Widths
from bridge.memory.address_map import MemoryMap
from bridge.querying.memory_versions import Bytes, MemoryVersions
from bridge.querying.rows import BLANK, CODES, OK, Bools, Codes, Column, objects, whole_numbers
from bridge.values.status import Status
from bridge.values.value_type import Kind
from schemas.compiler import BuildLayout

__all__ = ["EXACT", "NARROW", "Rule", "Values", "VectorSlots"]

NARROW = 62
"""Bits of whole numbers that are int64, with room for a carry."""
EXACT = 53
"""Bits of whole numbers that a binary64 holds exactly."""

Values = NDArray[Any]


class VectorSlots:
    """The slots of a program over the frames of *versions*, each evaluated when first asked for.

    *rules* is a table of what evaluates each kind of number.
    """

    def __init__(
        self,
        program: Program,
        layout: BuildLayout,
        memory: MemoryMap,
        versions: MemoryVersions,
        count: int,
        rules: dict[type[nodes.Expr], Rule],
    ) -> None:
        self.program = program
        self.layout = layout
        self.widths = Widths(program.slots, layout.pointer_size * 8)
        self.count = count
        self._memory = memory
        self._versions = versions
        self._rules = rules
        self._columns: dict[int, Column] = {}
        self._status: Codes = np.zeros(0, np.int8)
        self._live: Bools | None = None

    def column(self, slot: int) -> Column:
        """A slot's values and statuses."""
        known = self._columns.get(slot)
        if known is None:
            outer = self._status, self._live
            self._status, self._live = np.full(self.count, OK, np.int8), None
            with np.errstate(all="ignore"):
                values = self._root(slot)
            known = self._columns[slot] = Column(
                self.program.slots[slot].type.kind, values, self._status
            )
            self._status, self._live = outer
        return known

    def _root(self, slot: int) -> Values:
        described = self.program.slots[slot]
        number = described.number
        assert number is not None
        values = self.number(number)
        if described.address_node is not None:
            return values
        if described.type.kind is Kind.FLOAT:
            return self.finite(self.as_float(values))
        if described.type.kind is Kind.INTEGER and values.dtype == np.bool_:
            return values.astype(np.int64)
        return values

    # what rules ask for

    def number(self, node: nodes.Number) -> Values:
        """A number in each frame."""
        return self._rules[type(node)](self, node)

    def fail(self, where: Bools, status: Status) -> None:
        """There is no value in these frames, unless a fault stands already."""
        if where.any():
            self._status[where & self.going] = CODES[status]

    @property
    def going(self) -> Bools:
        """The frames that are evaluated still."""
        going: Bools = self._status == OK
        return going if self._live is None else going & self._live

    @contextmanager
    def only(self, where: Bools) -> Iterator[None]:
        """What is evaluated meanwhile is evaluated in these frames alone."""
        outer = self._live
        self._live = where if outer is None else where & outer
        yield
        self._live = outer

    def take_over(self, other: Column) -> None:
        """Where another slot has no value, there is none, for the same reason."""
        faulty = self.going & ~other.there
        self._status[faulty] = other.status[faulty]

    def narrow(self, node: nodes.Number, *, bits: int = NARROW) -> bool:
        """Whether a whole number surely has no more bits."""
        return self.widths.unbounded(node) <= bits

    def finite(self, values: Values) -> Values:
        """Floats, of which what is infinite or not a number is an error."""
        self.fail(~np.isfinite(values), Status.ERROR)
        return values

    def as_float(self, values: Values) -> Values:
        """Numbers as binary64; a whole number that is too large is an error."""
        if values.dtype == object:
            return self.each(float, [values], Kind.FLOAT)
        return values.astype(np.float64, copy=False)

    def each(self, call: Callable[..., Any], arguments: Sequence[Values], kind: Kind) -> Values:
        """What *call* gives in each frame; an ArithmeticError is an error."""
        found: list[Any] = [BLANK[kind]] * self.count
        failed = np.zeros(self.count, np.bool_)
        columns = [values.tolist() for values in arguments]
        convert: Callable[[Any], Any] | None = None
        if kind is Kind.FLOAT:
            convert = float
        elif kind is Kind.INTEGER:
            convert = bounded
        for frame in np.flatnonzero(self.going).tolist():
            try:
                value = call(*[column[frame] for column in columns])
                found[frame] = value if convert is None else convert(value)
            except ArithmeticError:
                failed[frame] = True
        self.fail(failed, Status.ERROR)
        if kind is Kind.INTEGER:
            return whole_numbers(found)
        if kind is Kind.TEXT:
            return objects(found)
        return np.array(found, np.float64 if kind is Kind.FLOAT else np.bool_)

    def each_finite(self, call: Callable[..., Any], arguments: Sequence[Values]) -> Values:
        """The same of floats that have to be finite."""
        return self.each(lambda *values: finite(call(*values)), arguments, Kind.FLOAT)

    # memory

    def flat(self, address: Values, size: int) -> Values:
        """The flat indices of accesses at guest addresses; where they are outside it is a fault,
        and 0."""
        found = np.full(self.count, -1, np.int64)
        for region in reversed(self._memory.regions):
            flat = self._memory.flat_starts[region.name]
            # the first range that holds it counts
            for start in reversed((region.start, *region.mirrors)):
                if start.bit_length() > NARROW:
                    continue  # no address comes so far that is evaluated here
                inside = (address >= start) & (address <= start + region.size - size)
                found = np.where(inside, address - (start - flat), found)
        outside = found < 0
        self.fail(outside, Status.UNMAPPED)
        found[outside] = 0
        return found

    def fixed(self, address: int, size: int) -> int:
        """The same of an address that no frame changes."""
        flat = self._memory.flat(address, size)
        if flat is None:
            self.fail(np.ones(self.count, np.bool_), Status.UNMAPPED)
            return 0
        return flat

    def bytes_at(self, flat: int | Values, size: int) -> Bytes:
        """*size* bytes in each frame; where they are not known it is a fault."""
        if size > self._memory.flat_size:  # nowhere, which has been told
            return np.zeros((self.count, size), np.uint8)
        data, known = self._versions.read(flat, size)
        if known is not None:
            self.fail(~known, Status.UNMAPPED)
        return data


Rule = Callable[[VectorSlots, Any], Values]
"""Evaluates a node; which kind of node is told by the table's key."""
