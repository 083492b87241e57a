"""What ``lowhalf sheet --json`` prints, as models."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from adapters.json_forms.form import Form

__all__ = [
    "AddedForm",
    "CountedForm",
    "CounterForm",
    "EndsForm",
    "EntryForm",
    "EvidenceForm",
    "FunctionForm",
    "HitsForm",
    "LookForm",
    "LowHalfForm",
    "NamedNumberForm",
    "RecallForm",
    "RecipeForm",
    "ReckonForm",
    "SheetAttemptsForm",
    "SheetBuildForm",
    "SheetForm",
    "SheetMoveForm",
    "SheetRegionForm",
    "SheetStepForm",
    "SheetWalkForm",
    "SheetWalksForm",
    "StoredForm",
    "SumOfAddressForm",
    "WalkForm",
    "WindowForm",
    "WorkedForm",
]

_Value = float | int | bool | str
_Pair = Annotated[list[str], Field(min_length=2, max_length=2)]


class AddedForm(Form):
    """A part of a sum."""

    label: str = Field(description="the symbol, field, element or half that it is for")
    offset: int = Field(description="bytes; a symbol's are its address")


class CountedForm(Form):
    """A letter times so many bytes."""

    count: str = Field(description="the letter of a count")
    size: int = Field(description="bytes that each counts")


class SumOfAddressForm(Form):
    """An address: what the letter stands for, what is added, and what is counted."""

    base: str | None = Field(description="the letter of an address; null where there is none")
    add: int
    parts: list[AddedForm] = Field(description="what add is made of, in order")
    times: list[CountedForm]


class NamedNumberForm(Form):
    """A name of a value, or of a bit."""

    value: int
    name: str


class StoredForm(Form):
    """What the bytes mean."""

    size: int = Field(description="bytes, in the order of endian")
    kind: Literal["unsigned", "signed", "binary32", "binary64", "text", "fixed", "bits", "flag"] = (
        Field(description="bits are those from lowest on, width of them; flag is whether lowest is")
    )
    type: str = Field(description="as the schema writes it")
    lowest: int
    width: int
    fraction: int = Field(description="fixed is signed, in units of 2 to the minus this")
    signed: bool = Field(description="of bits: two's complement")
    names: list[NamedNumberForm]
    by_bit: bool = Field(description="whether names are those of bits")


class LookForm(Form):
    """A letter is what is stored at an address."""

    do: Literal["read"]
    letter: str
    what: str
    at: SumOfAddressForm
    stored: StoredForm


class ReckonForm(Form):
    """A letter is what a formula gives."""

    do: Literal["reckon"]
    letter: str
    what: str
    formula: str


class RecallForm(Form):
    """A letter is the value of a watch, which has a recipe of its own."""

    do: Literal["watch"]
    letter: str
    watch: str


class WalkForm(Form):
    """A letter is what going along a linked list gives."""

    do: Literal["walk"]
    letter: str
    what: str
    first: SumOfAddressForm
    led: bool = Field(description="whether the first one's address is stored there")
    element: str = Field(description="the letter of the address of the element at hand")
    next_add: int = Field(description="bytes into an element at which the next one's address is")
    pointer_size: int
    inner: list[LookForm | ReckonForm | RecallForm] = Field(
        description="made anew for each element"
    )
    where: str = Field(description="where an element counts; empty where all do")
    each: str = Field(description="what is taken of it")
    takes: Literal["first", "count", "sum", "min", "max"]


class RecipeForm(Form):
    """How a value is reached: letters, each made only where a formula comes to use it."""

    by_hand: bool = Field(description="whether one look at memory tells the value")
    reason: str = Field(description="why it cannot be told in steps; empty where it can")
    over_frames: list[str] = Field(description="functions that want a look at every frame")
    definitions: list[LookForm | ReckonForm | RecallForm | WalkForm]
    result: str = Field(description="a formula over the letters, in the expression language")


class WorkedForm(Form):
    """An addition worked as an example, digit by digit, without 0x."""

    letter: str
    before: str
    operand: str
    carries: str = Field(description="a 1 over each digit that something is carried to")
    after: str


class EndsForm(Form):
    """A run of values that hit, both ends included."""

    first: _Value
    last: _Value
    first_text: str = Field(description="as the watch shows it")
    last_text: str
    patterns: list[_Pair] = Field(description="runs of stored bits, lowest first, without 0x")


class HitsForm(Form):
    """What a target wants."""

    text: str
    ends: list[EndsForm]
    count: int | None = Field(description="values that can be stored and hit; null if not counted")
    blurred: bool = Field(description="whether a value just outside may be shown like an end")


class LowHalfForm(Form):
    """What a target on a low half means while the number is from least to limit away from 0."""

    least: int
    limit: int
    period: float = Field(description="the way after which the half is the same again")
    hit: float = Field(description="how much of it hits")


class EntryForm(Form):
    """A watch, or an expression of a step or of the attempts."""

    name: str = Field(description="the watch's, or steps.N.done and so on")
    label: str
    group: str
    expression: str
    type: str
    show: str
    recipes: dict[str, RecipeForm] = Field(description="by build")
    worked: list[WorkedForm] = Field(description="additions of the first build")
    target: HitsForm | None
    low_half: list[LowHalfForm]
    high_half: list[Annotated[list[float], Field(min_length=2, max_length=2)]] = Field(
        description="the numbers that a target on a high half means, first and last"
    )


class SheetRegionForm(Form):
    """A range of memory."""

    name: str
    start: int
    size: int
    mirrors: list[int]


class EvidenceForm(Form):
    """What stands in one build's memory and in no other's."""

    address: int
    bytes: str
    shown: str


class CounterForm(Form):
    """Where frames are counted."""

    expression: str
    address: int
    size: int


class SheetBuildForm(Form):
    """A build."""

    build: str
    title: str
    recognised: list[EvidenceForm]
    counter: CounterForm | None


class WindowForm(Form):
    """When a step is in time."""

    after: str
    frames: Annotated[list[int], Field(min_length=2, max_length=2)]


class SheetStepForm(Form):
    """A step, as the bridge file has it."""

    name: str
    done: str
    begin: str
    fail: str
    hint: str
    show: str
    window: WindowForm | None


class SheetAttemptsForm(Form):
    """What cuts practice into attempts."""

    begins: str
    succeeds: str
    given_up: str
    keep: list[str]
    by_hand: bool


class SheetMoveForm(Form):
    """A move that turns."""

    move: str
    add: int | None = Field(description="units; null where it faces an angle")
    set: int | None
    degrees: float
    frames: int
    limit: int | None
    doc: str


class SheetWalkForm(Form):
    """A move that changes a position."""

    move: str
    steps: list[str] = Field(description="what a use of it does, in words, each rounded at once")
    frames: int
    each_frame: bool = Field(description="whether its steps are done in each frame")
    limit: int | None
    doc: str


class SheetWalksForm(Form):
    """Moves that change a position, and what the names in their steps stand for."""

    position: str | None
    facing: str | None
    variables: dict[str, str]
    moves: list[SheetWalkForm]


class FunctionForm(Form):
    """A function that formulas call."""

    name: str
    form: str
    gives: str


class SheetForm(Form):
    """What ``sheet --json`` prints: addresses, recipes, targets, steps and moves of a set-up."""

    game: str
    name: str = Field(description="the bridge file's, without its endings")
    version: str = Field(description="of lowhalf")
    endian: Literal["big", "little"]
    pointer_size: int
    regions: list[SheetRegionForm]
    builds: list[SheetBuildForm]
    watches: list[EntryForm]
    moments: list[EntryForm] = Field(description="the expressions of steps and attempts")
    steps: list[SheetStepForm]
    attempts: SheetAttemptsForm | None
    moves: list[SheetMoveForm]
    walks: SheetWalksForm | None
    functions: list[FunctionForm]
