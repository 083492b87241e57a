"""Walks as the search takes them: moves of single steps, each rounded to binary32 once."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

__all__ = ["COSINE", "SINE", "TURN", "Float32s", "Position", "Step", "WalkMove", "Walks"]

SINE, COSINE = "sin", "cos"
TURN = 0x10000
Float32s = NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class Step:
    """One operation: its result goes to the name ``to``.

    An operand is a name, or a constant as its 32-bit pattern.  ``turn`` and ``face`` are of the
    angle16 that is faced, by ``angle`` units, and have neither.
    """

    operation: str
    to: str = ""
    operands: tuple[str | int, ...] = ()
    angle: int = 0


@dataclass(frozen=True, slots=True)
class WalkMove:
    """A move: a use of it costs ``frames`` and performs ``steps``, in each frame or once for all.

    ``limit`` is how often it may be used, None for any count.
    """

    name: str
    steps: tuple[Step, ...]
    frames: int = 1
    each_frame: bool = False
    limit: int | None = None

    @property
    def times(self) -> int:
        """How often a use performs the steps."""
        return self.frames if self.each_frame else 1


@dataclass(frozen=True, slots=True, eq=False)
class Walks:
    """All moves, the names that last from move to move, and the sine of each of 65,536 angles.

    ``sine`` is None where no move needs it.
    """

    moves: tuple[WalkMove, ...]
    lasting: tuple[str, ...]
    sine: Float32s | None = None


@dataclass(frozen=True, slots=True)
class Position:
    """Where somebody stands: the 32-bit pattern of each lasting name, and the angle16 faced."""

    patterns: Mapping[str, int] = field(default_factory=dict)
    facing: int = 0
