"""The form of JSON that tells of walks."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from adapters.json_forms.form import Form, sometimes

__all__ = ["FoundWalkForm", "PositionForm", "RunForm", "WalkForm"]


class PositionForm(Form):
    """Where somebody stands."""

    values: dict[str, float | None] = Field(description="coordinate = value; null where not finite")
    bits: dict[str, str] = Field(description="coordinate = its bits in 0x form")
    facing: int = Field(description="the angle16 that is faced")


class RunForm(Form):
    """A move that is used several times in a row."""

    move: str
    count: int = Field(description="uses; of the last run frames, where last_frames is not 0")
    less: bool = Field(description="whether it works with one less, too")
    more: bool = Field(description="whether it works with one more, too")


class FoundWalkForm(Form):
    """A walk after which the coordinate is as wanted."""

    frames: int = Field(description="after so many frames it is")
    moves: list[str]
    runs: list[RunForm]
    last_frames: int = Field(description="frames of the last move, where its end is not waited for")
    window: list[int] = Field(
        description="first and last frame in which it is so, too, as the last move is held"
    )
    robust: int = Field(description="how many walks with one use more or less work, too")
    end: PositionForm


class WalkForm(Form):
    """The cheapest walks: `solve walk --json`."""

    verdict: Literal["cheapest", "not within the bounds", "impossible", "cut short"] = Field(
        description="what is proved; `cut short` proves nothing"
    )
    reason: str
    axis: str
    start: PositionForm
    best: FoundWalkForm | None
    others: list[FoundWalkForm] = Field(description="the next best")
    all_others: bool = Field(description="false: no more of them were looked for")
    states: int = Field(description="different states that were looked at")
    made: int = Field(description="states that were made, known ones too")
    not_numbers: int = Field(description="states that were no numbers and were not gone on from")
    frame: int = sometimes("where it begins in a game")
    build: str = sometimes("where it begins in a game")
