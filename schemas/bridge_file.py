"""The bridge file as pydantic models: schema, source, watches, outputs (``NAME.bridge.toml``)."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Mapping
from typing import Annotated, Any, ClassVar, Literal

from pydantic import AfterValidator, BeforeValidator, ConfigDict, Field, model_validator

from schemas.output_settings import Outputs
from schemas.path_texts import PathText
from schemas.schema_file import Name
from schemas.seen_letters import all_seen
from schemas.source_settings import AnySource
from schemas.table import Table, shown

__all__ = [
    "KEYS_IN_USE",
    "AttemptsTable",
    "BridgeFile",
    "Guard",
    "LayoutTable",
    "LearnTable",
    "LearnTables",
    "Number",
    "Plain",
    "PlanTable",
    "Sampling",
    "StepTable",
    "TargetTable",
    "WatchTable",
    "WindowTable",
]

_SHOW = re.compile(r"decimal|hex|binary|degrees|name|fixed:(?:1[0-9]|20|[0-9])|")


def _show(value: str) -> str:
    if not _SHOW.fullmatch(value):
        raise ValueError(
            "expected decimal, hex, binary, degrees, name or fixed:N with N decimals (0 to 20), "
            f'found "{value}"'
        )
    return value


def _number(value: Any) -> int | float:
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise ValueError(f"expected a number, found {shown(value)}")
    return value


def _plain(value: Any) -> int | float | bool | str:
    if not isinstance(value, int | float | bool | str):
        raise ValueError(f"expected a number, true or false, or a text, found {shown(value)}")
    return value


Number = Annotated[Any, BeforeValidator(_number, json_schema_input_type=float)]
_Frames = Annotated[int, Field(ge=0, le=1_000_000)]
Plain = Annotated[Any, BeforeValidator(_plain, json_schema_input_type=float | bool | str)]


class Guard(Table):
    """Two counters that the guest writes at either end of a frame's work."""

    began: str = Field(description="place that counts frames begun")
    ended: str = Field(description="place that counts frames ended")


class Sampling(Table):
    """When a frame is taken, and how it is known to be whole."""

    rate: float = Field(60.0, gt=0, le=240, description="frames a second at most")
    frame: str = Field("", description="place whose change is a new frame; else time alone")
    guard: Guard | None = Field(None, description="the counters at both ends of a frame")


class TargetTable(Table):
    """What a watch should reach: equals, or between, or near and within."""

    equals: Plain | None = Field(None, description="exactly this value")
    between: tuple[Number, Number] | None = Field(
        None, strict=False, description="lowest and highest value, both hits"
    )
    near: Number | None = Field(None, description="this value, give or take")
    within: Number | None = Field(None, description="how far from near is a hit")

    @model_validator(mode="after")
    def _one(self) -> TargetTable:
        if [self.equals, self.between, self.near].count(None) != 2:
            raise ValueError("expected exactly one of equals, between and near")
        if (self.near is None) is not (self.within is None):
            raise ValueError("near and within go together")
        return self


class WatchTable(Table):
    """A named expression, evaluated once a frame."""

    name: Name = Field(description="unique: letters, digits, _")
    label: str = Field("", description="its name for people")
    group: str = Field("", description="what it belongs to; the desk page shows groups together")
    expr: str = Field(description="the expression")
    show: Annotated[str, AfterValidator(_show)] = Field(
        "", description="decimal, hex, binary, degrees, fixed:N or name"
    )
    target: TargetTable | None = Field(None, description="what it should reach")
    heap: Literal["warn", "ignore"] = Field(
        "warn", description="whether pointers to freed or changed blocks of the heap are told"
    )


class WindowTable(Table):
    """When a step is to be done: early before, late behind."""

    after: str = Field(min_length=1, description="the frames count from when this becomes true")
    frames: tuple[_Frames, _Frames] = Field(
        strict=False, description="the first and the last frame behind it that are right"
    )

    @model_validator(mode="after")
    def _in_order(self) -> WindowTable:
        first, last = self.frames
        if first > last:
            raise ValueError(f"the first frame, {first}, is behind the last, {last}")
        return self


class StepTable(Table):
    """One step of what is practised; its expressions are true or false."""

    name: str = Field(min_length=1, description="its name for people, unique among the steps")
    done: str = Field(min_length=1, description="true once it is done")
    begin: str = Field("", description="true once it begins; else with the end of the one before")
    fail: str = Field("", description="true where it has gone wrong; without it, never")
    hint: str = Field("", description="what to do, shown while the runner is in it")
    show: str = Field("", description="the watch that is large on the practice page meanwhile")
    window: WindowTable | None = Field(
        None, description="the frames in which it must be done; else any time will do"
    )


class AttemptsTable(Table):
    """What cuts practice into attempts: moments at which expressions become true, or the runner's
    own hand."""

    model_config = ConfigDict(
        json_schema_extra={
            "anyOf": [
                {"required": ["begins"]},
                {"required": ["by_hand"], "properties": {"by_hand": {"const": True}}},
            ]
        }
    )

    renamed: ClassVar[Mapping[str, str]] = {
        "start": "begins",
        "success": "succeeds",
        "reset": "given_up",
    }

    begins: str = Field(
        "",
        min_length=1,
        description="an attempt begins when this becomes true; needed but with by_hand",
    )
    succeeds: str = Field("", description="it has its success then; else once all steps are done")
    given_up: str = Field("", description="the runner gives up then; so does beginning again")
    by_hand: bool = Field(
        False,
        description="begins, and succeeds without steps, may be left out: the runner tells by a "
        "key or a button, which may be done beside begins too",
    )
    keep: tuple[str, ...] = Field(
        (), strict=False, description="watches whose values are kept at success and failure"
    )
    file: str = Field(
        "",
        description="the SQLite file, relative to this file; "
        "else this file's name with .attempts.sqlite",
    )


class LearnTable(Table):
    """How an action is known in recordings from which it is learned."""

    when: str | None = Field(
        None,
        min_length=1,
        description="an expression that becomes true when it is done; else marks or a log tell",
    )
    spread: int = Field(
        0,
        ge=0,
        le=1000,
        description="frames behind that in which what it does to the heap still shows",
    )


def _learn(value: Any) -> Any:
    return {"when": value} if isinstance(value, str) else value


KEYS_IN_USE = frozenset("kK/=n.bl?fFaAoOsShHgGrReE")
"""What the terminal or the desk does something by already, beside the space bar.  The desk's digits
are free: what they go to is reached by Tab as well."""


def _pressed(value: str) -> str:
    if len(value) != 1 or not all_seen(value) or unicodedata.category(value)[0] not in "LNPS":
        raise ValueError("a key is one letter, digit or sign")
    if value in KEYS_IN_USE:
        raise ValueError(f"the key {value} does something else already; digits are free")
    return value


class LearnTables(Table):
    """How actions are known in recordings from which they are learned.

    Every other name is an action's, with the expression that becomes true when it is done, or with
    a table of its own.
    """

    model_config = ConfigDict(extra="allow")
    __pydantic_extra__: dict[
        Name,
        Annotated[LearnTable, BeforeValidator(_learn, json_schema_input_type=str | LearnTable)],
    ]

    keys: dict[Annotated[str, AfterValidator(_pressed)], Name] = Field(
        {},
        description="key = the action that whoever plays has done when they press it, in the "
        "terminal or on the desk; the recording is marked there",
    )
    within: int = Field(
        30, ge=0, le=1000, description="frames by which a key may have been pressed early or late"
    )

    @property
    def actions(self) -> Mapping[str, LearnTable]:
        """The tables by action."""
        return self.__pydantic_extra__ or {}


def _layout_path(value: Any) -> Any:
    return {"path": value} if isinstance(value, str) else value


class LayoutTable(Table):
    """A heap's shape to compare the present heap with; its path alone will do."""

    path: PathText = Field(min_length=1, description="the layout file, relative to this file")
    ignore_sizes: bool = Field(
        False, description="compare owners and use alone, as on a build with other sizes"
    )


class PlanTable(Table):
    """A plan that is followed: which action comes next, and where the game left it."""

    file: PathText = Field(min_length=1, description="the plan file, relative to this file")
    name: Name | None = Field(
        None, description="its name, for plan(…) in watches; else that of the file"
    )

    @property
    def called(self) -> str:
        """Its name."""
        stem = re.split(r"[/\\]", self.file)[-1].removesuffix(".toml").removesuffix(".plan")
        return self.name or stem


class BridgeFile(Table):
    """The user's file: what is read from where, watched how, and sent whereto."""

    schema_path: PathText = Field(alias="schema", description="the schema, relative to this file")
    build: str = Field("auto", description="a build's name, or auto")
    source: AnySource
    sampling: Sampling = Field(default_factory=Sampling)
    layouts: dict[
        Name,
        Annotated[
            LayoutTable, BeforeValidator(_layout_path, json_schema_input_type=str | LayoutTable)
        ],
    ] = Field({}, description="name = the file of a heap layout, for layout(…) in watches")
    plan: PlanTable | None = Field(None, description="the plan that is followed")
    watches: tuple[WatchTable, ...] = Field((), strict=False, description="the watches")
    steps: tuple[StepTable, ...] = Field(
        (), strict=False, description="what is practised, step by step"
    )
    attempts: AttemptsTable | None = Field(
        None, description="what cuts practice into attempts, which are counted and kept"
    )
    learn: LearnTables = Field(default_factory=LearnTables)
    outputs: Outputs = Field(default_factory=Outputs)
