"""The schema's ``[walks]``: moves that change a position by binary32 arithmetic, step by step."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BeforeValidator, Field, model_validator

from schemas.binary32_numbers import constant_pattern, is_constant
from schemas.table import Table
from schemas.turn_table import AngleNumber, Name

__all__ = [
    "ANGLE",
    "COORDINATES",
    "COSINE",
    "MAX_ENTRIES",
    "MAX_STEPS",
    "MAX_VARIABLES",
    "MAX_WALK_MOVES",
    "OPERATIONS",
    "SINE",
    "SineTable",
    "WalkMoveTable",
    "WalkStepTable",
    "WalksTable",
]

MAX_STEPS = 64
MAX_WALK_MOVES = 64
MAX_VARIABLES = 16
MAX_ENTRIES = 0x10000
COORDINATES = ("x", "y", "z")
SINE, COSINE, ANGLE = "sin", "cos", "angle"
"""What steps may use beside coordinates, variables and what earlier steps made."""
OPERATIONS = {
    "set": 1,
    "add": 2,
    "subtract": 2,
    "multiply": 2,
    "divide": 2,
    "fused": 3,
    "absolute": 1,
    "negate": 1,
    "square_root": 1,
    "clamp": 2,
}
"""Operation of a step → its operands."""
_OWN_FIRST = ("add", "subtract", "multiply", "divide")
"""Operations that may be written with one operand: ``to`` itself is the first then."""


def _operands(value: Any) -> Any:
    return tuple(value) if isinstance(value, list | tuple) else (value,)


def _known_number(value: float | str) -> float | str:
    """Refuses a number that is no binary32 constant, or that may be one of two."""
    if not isinstance(value, str) or is_constant(value):
        constant_pattern(value)
    return value


_Number = Annotated[int | float | str, AfterValidator(_known_number)]
_Operands = Annotated[
    tuple[_Number, ...],
    BeforeValidator(_operands, json_schema_input_type=int | float | str | list[int | float | str]),
    Field(strict=False),
]


class WalkStepTable(Table):
    """One operation on binary32 numbers, rounded once; or one that turns.

    Operands are numbers, bits as a text such as "0x3EC00000", and names: coordinates, variables,
    what an earlier step of the move made, and sin and cos of the angle that is faced then.
    """

    to: Name | None = Field(
        None, description="what the result is: a coordinate, a variable, or a name for later steps"
    )
    set: _Operands | None = Field(None, description="the operand itself, as where a corner holds")
    add: _Operands | None = Field(
        None, description="the sum of two operands; of one, it is added to what `to` is"
    )
    subtract: _Operands | None = Field(
        None, description="the first less the second; of one, it is subtracted from what `to` is"
    )
    multiply: _Operands | None = Field(
        None, description="the product of two operands; of one, with what `to` is"
    )
    divide: _Operands | None = Field(
        None, description="the first by the second; of one, what `to` is by it"
    )
    fused: _Operands | None = Field(
        None,
        description="three operands: the first by the second, plus the third, rounded once, as "
        "processors with a fused multiply-add do it",
    )
    absolute: _Operands | None = Field(None, description="the operand without its sign")
    negate: _Operands | None = Field(None, description="the operand with the other sign")
    square_root: _Operands | None = Field(None, description="the operand's square root")
    clamp: _Operands | None = Field(
        None, description="[lo, hi]: `to` is brought between these two, as walls do it"
    )
    turn: AngleNumber | None = Field(
        None, description='units of an angle16 that are added to what is faced, also "-0x0300"'
    )
    face: AngleNumber | None = Field(None, description="the angle that is faced from now on")

    @model_validator(mode="after")
    def _one(self) -> WalkStepTable:
        given = [name for name in (*OPERATIONS, "turn", "face") if getattr(self, name) is not None]
        if len(given) != 1:
            found = "none" if not given else " and ".join(given)
            raise ValueError(f"expected exactly one operation, such as add or turn, found {found}")
        name = given[0]
        if name not in OPERATIONS:
            if self.to is not None:
                raise ValueError(f"{name} is of the angle that is faced; leave `to` out")
            return self
        if self.to is None:
            raise ValueError(f"{name} needs `to`: where its result goes")
        count, wanted = len(getattr(self, name)), OPERATIONS[name]
        least = 1 if name in _OWN_FIRST else wanted
        if not least <= count <= wanted:
            words = str(wanted) if least == wanted else f"{least} or {wanted}"
            many = "operand" if words == "1" else "operands"
            raise ValueError(f"{name} has {words} {many}, found {count}")
        return self

    @property
    def operation(self) -> str:
        """The name of what it does."""
        return next(n for n in (*OPERATIONS, "turn", "face") if getattr(self, n) is not None)

    @property
    def operands(self) -> tuple[float | str, ...]:
        """All operands of its operation; none where it turns or faces."""
        if self.operation not in OPERATIONS:
            return ()
        given: tuple[float | str, ...] = getattr(self, self.operation)
        assert self.to is not None
        missing = self.operation in _OWN_FIRST and len(given) == 1
        return (self.to, *given) if missing else given


_Steps = Annotated[tuple[WalkStepTable, ...], Field(max_length=MAX_STEPS, strict=False)]


class SineTable(Table):
    """How the game makes the sine of an angle; the cosine is that of a quarter of a turn more.

    Exactly one of math, table, symbol and steps.
    """

    math: Literal[True] | None = Field(
        None, description="true: the binary32 that is nearest to the sine itself"
    )
    table: Annotated[tuple[_Number, ...], Field(max_length=MAX_ENTRIES)] | None = Field(
        None,
        strict=False,
        description="the sines of one turn in 2 to the N equal steps, from angle 0; an angle takes "
        "the entry at or before it",
    )
    symbol: str | None = Field(
        None,
        description="such a table in the game's memory: an expression of type f32[N], N at most "
        "4096",
    )
    steps: _Steps | None = Field(
        None,
        description="how it is computed: from `angle`, -32768 to 32767, to `sin`, which the last "
        "step makes",
    )

    @model_validator(mode="after")
    def _one(self) -> SineTable:
        given = [n for n in ("math", "table", "symbol", "steps") if getattr(self, n) is not None]
        if len(given) != 1:
            found = "none" if not given else " and ".join(given)
            raise ValueError(
                f"expected exactly one of math, table, symbol and steps, found {found}"
            )
        if self.table is not None:
            count = len(self.table)
            if count < 4 or count & (count - 1):
                raise ValueError(f"expected 4, 8, 16 … {MAX_ENTRIES} entries, found {count}")
        return self


class WalkMoveTable(Table):
    """A move that changes where the player stands.  Held for N frames it is used N times."""

    steps: _Steps = Field((), description="what a use of it does, in this order")
    frames: Annotated[int, Field(ge=1, le=10_000)] = Field(
        1, description="frames that a use of it takes"
    )
    each_frame: bool = Field(
        False,
        description="true: its steps are done in each of its frames; else once, in its first",
    )
    limit: Annotated[int, Field(ge=0, le=1_000_000)] | None = Field(
        None, description="how often it may be used; else without a limit"
    )
    doc: str = Field("", description="what it is")


class WalksTable(Table):
    """How moves change a position, exactly as the game does it: for lowhalf solve walk."""

    position: str | None = Field(
        None, description="an expression: what has the f32 fields x, y and z, as courier.position"
    )
    facing: str | None = Field(
        None, description="an expression: the angle16 that is faced, as courier.facing"
    )
    variables: Annotated[dict[Name, str], Field(max_length=MAX_VARIABLES)] = Field(
        {}, description="name = an expression, a further f32 that moves use or change, as a speed"
    )
    sine: SineTable | None = Field(
        None, description="how the game makes the sine of an angle, where moves use sin or cos"
    )
    moves: Annotated[
        dict[Annotated[str, Field(min_length=1)], WalkMoveTable],
        Field(min_length=1, max_length=MAX_WALK_MOVES),
    ] = Field(description="name = a move")
