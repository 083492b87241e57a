"""Generated Python source: what goes with it, and the writer of its lines."""

from __future__ import annotations

from collections.abc import Callable, Hashable, Sequence
from dataclasses import dataclass
from typing import Any

__all__ = ["CodeWriter", "GeneratedCode", "plus"]


@dataclass(frozen=True, slots=True)
class GeneratedCode:
    """Generated source and what goes with it.

    ``constants`` is K; ``addresses`` has the address of each slot's value where it is fixed;
    ``lines`` are the numbers of the lines that every evaluation may read; ``formats`` are the X
    of the u_X that the source uses.  ``chunks`` are the slots of each function and ``weights`` its
    statements; ``lists`` is what each list with a function of its own means.
    """

    text: str
    constants: Sequence[Any]
    formats: Sequence[str]
    addresses: Sequence[int | None] = ()
    lines: frozenset[int] = frozenset()
    chunks: Sequence[range] = ()
    weights: Sequence[int] = ()
    lists: Sequence[Hashable] = ()


class CodeWriter:
    """Writes the statements of one function after another.

    ``further`` counts statements that what was emitted is worth beyond its own.
    """

    def __init__(self) -> None:
        self.out: list[str] = []
        self.indent = ""
        self.further = 0
        self.count = 0
        self.formats: set[str] = set()
        self._constants: list[Any] = []

    def emit(self, line: str) -> None:
        """Add a line, indented as it stands."""
        self.out.append(self.indent + line)

    def temporary(self, expression: str) -> str:
        """Emit the assignment to a new name; gives the name."""
        name = f"t{self.count}"
        self.count += 1
        self.emit(f"{name} = {expression}")
        return name

    def constant(self, value: Any) -> str:
        """A value in generated code, whatever it is."""
        self._constants.append(value)
        return f"K[{len(self._constants) - 1}]"

    @property
    def constants(self) -> tuple[Any, ...]:
        """All constants, by their place in K."""
        return tuple(self._constants)

    def block(self, head: str, body: Callable[[], None]) -> None:
        """Emit a statement and what is indented below it."""
        self.emit(head)
        outer, self.indent = self.indent, self.indent + " "
        body()
        self.indent = outer

    def captured(self, write: Callable[[], None]) -> list[str]:
        """The lines that *write* emits, which are not emitted yet."""
        outer, self.out = self.out, []
        write()
        lines, self.out = self.out, outer
        return lines

    def unpack(self, leaf_format: str, index: str) -> str:
        """The number stored at a flat index, in generated code."""
        name = leaf_format.strip("<>")
        self.formats.add(name)
        return f"u_{name}(ram, {index})[0]"


def plus(variable: str, offset: int) -> str:
    """A variable and a known number added, in generated code."""
    if offset == 0:
        return variable
    return f"{variable} + {offset}" if offset > 0 else f"{variable} - {-offset}"
