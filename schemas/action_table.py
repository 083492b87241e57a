"""The schema's ``[actions]``: what a player can do that allocates or releases blocks."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field, model_validator

from schemas.table import Table

__all__ = ["MAX_ACTIONS", "MAX_COUNT", "MAX_EFFECTS", "ActionTable", "EffectTable", "IntervalTable"]

MAX_ACTIONS = 256
MAX_EFFECTS = 64
MAX_COUNT = 1024


def _whole(value: Any) -> Any:
    return int(value) if isinstance(value, bool) else value


_Whole = Annotated[
    int,
    BeforeValidator(_whole, json_schema_input_type=int | bool),
    Field(ge=-(1 << 63), lt=1 << 63),
]


class IntervalTable(Table):
    """Whole numbers, both ends included."""

    from_: _Whole | None = Field(None, alias="from", description="the least; else without a limit")
    to: _Whole | None = Field(None, description="the greatest; else without a limit")

    @model_validator(mode="after")
    def _some(self) -> IntervalTable:
        if self.from_ is None and self.to is None:
            raise ValueError("expected from, to or both")
        if self.from_ is not None and self.to is not None and self.from_ > self.to:
            raise ValueError(f"no number is from {self.from_} to {self.to}")
        return self


def _intervals(value: Any) -> Any:
    """One number or table stands for a list of one; a number for an interval of one."""
    values = value if isinstance(value, list | tuple) else [value]
    return tuple({"from": one, "to": one} if isinstance(one, int) else one for one in values)


def _kinds(value: Any) -> Any:
    return (value,) if isinstance(value, str) else value


_Need = Annotated[
    tuple[IntervalTable, ...],
    BeforeValidator(
        _intervals,
        json_schema_input_type=int | bool | IntervalTable | list[int | bool | IntervalTable],
    ),
    Field(min_length=1, strict=False),
]
_Kinds = Annotated[
    tuple[str, ...],
    BeforeValidator(_kinds, json_schema_input_type=str | list[str]),
    Field(min_length=1, max_length=64, strict=False),
]
_Order = Literal["newest", "oldest", "lowest", "highest"]
_WORDS = ("alloc", "free", "hold", "let_go")
_GO_WITH = {
    "alloc": {"count", "end", "heap"},
    "free": {"which", "count", "order", "heap"},
    "hold": {"which", "heap"},
    "let_go": {"heap"},
}


class EffectTable(Table):
    """One thing that an action does; exactly one of alloc, free, hold and let_go."""

    alloc: str | None = Field(None, description="kind of which blocks are handed out")
    free: _Kinds | None = Field(None, description="kinds of which blocks are released")
    hold: _Kinds | None = Field(None, description="kinds of which one is held from now on")
    let_go: bool | None = Field(None, description="true: what is held is held no more")
    release: bool | None = Field(None, description="the same as let_go")
    which: Literal["newest", "oldest", "lowest", "highest", "all", "held"] | None = Field(
        None,
        description="which blocks of these kinds: by when handed out, by address, all, or "
        "the one that is held",
    )
    count: Annotated[int, Field(ge=1, le=MAX_COUNT)] | None = Field(
        None, description="how many, one after another (1)"
    )
    order: _Order | None = Field(
        None, description="of all: the one that is released first (lowest)"
    )
    end: Literal["low", "high"] | None = Field(
        None, description="the end of the arena that is asked for; else as the allocator's"
    )

    heap: str = Field("", description="the one of [heaps] that it is of; else [heap]")

    @model_validator(mode="after")
    def _agrees(self) -> EffectTable:
        given = set(self.model_fields_set)
        if "release" in given:
            given = given - {"release"} | {"let_go"}
        if False in (self.let_go, self.release):
            raise ValueError("let_go is true, or is not there")
        words = [word for word in _WORDS if word in given]
        if len(words) != 1 or {"release", "let_go"} <= self.model_fields_set:
            raise ValueError("expected exactly one of alloc, free, hold and let_go")
        word = words[0]
        for key in sorted(given - {word} - _GO_WITH[word]):
            raise ValueError(f"{key} does not go with {word}")
        if "which" in _GO_WITH[word] and self.which is None:
            raise ValueError(f"{word} needs which: newest, oldest, lowest or highest, …")
        if word == "hold" and self.which in ("all", "held"):
            raise ValueError(f'one block is held: which is "{self.which}"')
        if self.which in ("all", "held") and self.count is not None:
            raise ValueError(f'count does not go with which "{self.which}"')
        if self.order is not None and self.which != "all":
            raise ValueError('order is of all that are released; it goes with which = "all"')
        return self


class ActionTable(Table):
    """Something that a player can do.  Its effects happen in their order, all or none."""

    frames: Annotated[int, Field(ge=1, le=1_000_000)] = Field(description="frames that it takes")
    precise: Annotated[int, Field(ge=0, le=1000)] = Field(
        0, description="how many of its inputs must be right to the frame"
    )
    needs: dict[str, _Need] = Field(
        {}, description="state = what it must be before: a number, numbers, or { from, to }"
    )
    sets: dict[str, _Whole] = Field({}, description="state = what it is afterwards")
    adds: dict[str, _Whole] = Field({}, description="state = what is added to it")
    limit: Annotated[int, Field(ge=0)] | None = Field(
        None, description="how often a plan may have it; else without a limit"
    )
    effects: Annotated[tuple[EffectTable, ...], Field(max_length=MAX_EFFECTS)] = Field(
        (), strict=False, description="what it does to the heap, in this order"
    )
    doc: str = Field("", description="what it is")
    when: str = Field(
        "", description="an expression that becomes true when it is done, by which learn knows it"
    )
    spread: Annotated[int, Field(ge=0, le=1000)] = Field(
        0, description="frames behind that in which what it does to the heap still shows"
    )

    @model_validator(mode="after")
    def _agrees(self) -> ActionTable:
        for state in self.sets:
            if state in self.adds:
                raise ValueError(f"both sets and adds to {state}")
        empty: set[str] = set()  # heaps of which nothing can be held
        for number, effect in enumerate(self.effects, 1):
            if effect.hold is not None:
                empty.discard(effect.heap)
            elif effect.which == "held" or effect.let_go or effect.release:
                if effect.heap in empty:
                    raise ValueError(f"effect {number}: nothing is held any more by then")
                empty.add(effect.heap)
        return self
