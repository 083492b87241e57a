"""The forms of JSON that tell of planning: actions tried by ``check``, and plans."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from adapters.json_forms.form import Form, sometimes
from adapters.json_forms.pack_shapes import CheckedPackForm

__all__ = [
    "ActionChangeForm",
    "CheckForm",
    "CheckedWatchForm",
    "FurtherPlanForm",
    "PlanForm",
    "PlanOfBuildsForm",
    "PlannedBlockForm",
    "PlannedStepForm",
    "SimulatedActionForm",
    "SimulatedForm",
]


class PlannedBlockForm(Form):
    """A block of the heap or a hole where planning has it."""

    start: int = Field(description="guest address of its payload")
    size: int = Field(description="bytes behind the header")
    used: bool
    owner: str


class ActionChangeForm(Form):
    """One thing that an action does."""

    event: Literal["handed out", "released", "held", "let go"]
    owner: str
    start: int = Field(description="guest address of the payload")


class SimulatedActionForm(Form):
    """What an action would do to the heap as it is."""

    action: str
    frames: int
    precise: int = Field(description="inputs that must be right to the frame")
    reason: str = Field(description="why it is not possible here; else empty")
    changes: list[ActionChangeForm] = Field(description="in order")
    states: dict[str, int] | None = Field(description="after it; null where it is not possible")
    layout: list[PlannedBlockForm] | None = Field(description="by address; null as well")


class SimulatedForm(Form):
    """Every action of the schema tried on one frame's heap."""

    frame: int
    build: str
    states: dict[str, int]
    unsure: dict[str, str] = Field(description="action: what of its blocks' ages is not known")
    layout: list[PlannedBlockForm] = Field(description="the heap as it is")
    actions: list[SimulatedActionForm]


class CheckedWatchForm(Form):
    """A watch of a bridge file."""

    watch: str
    type: str
    addresses: dict[str, str] = Field(description="build: address, or how it is found")


class CheckForm(Form):
    """What a bridge file holds: `check --json`."""

    watches: list[CheckedWatchForm]
    actions: int = Field(description="how many the schema has")
    simulated: SimulatedForm | None = Field(description="null without --dump")
    pack: CheckedPackForm | None = sometimes("what else a pack holds; not there of a bridge file")


class PlannedStepForm(Form):
    """One action of a plan, and the heap after it."""

    action: str
    frames: int
    layout: dict[str, list[PlannedBlockForm]] = Field(description="every block, by build")
    precise: int = Field(description="inputs that must be right to the frame")
    states: dict[str, int] = Field(description="the schema's states after it")


class FurtherPlanForm(Form):
    """Another plan."""

    frames: int
    precise: int
    actions: list[str]


class PlanOfBuildsForm(Form):
    """One plan for some builds, or why there is none."""

    found: bool
    proved: bool = Field(description="whether nothing is cheaper for sure, or none there is")
    frames: int | None
    floor: int | None = Field(description="no plan takes fewer frames; null where there is none")
    steps: list[PlannedStepForm]
    reason: str
    verdict: Literal["cheapest", "impossible", "none within the bound", "cut short"]
    precise: int | None
    builds: list[str]
    goals: list[str] = Field(description="in words")
    start: dict[str, list[PlannedBlockForm]] = Field(
        description="every block before the first step, by build"
    )
    others: list[FurtherPlanForm] = Field(description="the next ones, as `--others` asks for them")
    front: list[FurtherPlanForm] = Field(
        description="the cheapest by how many inputs must be right to the frame"
    )


class PlanForm(PlanOfBuildsForm):
    """The cheapest actions that bring the heap to where it is wanted: `plan --json`."""

    by_build: dict[str, PlanOfBuildsForm] = Field(
        description="where no one plan is for all builds: that of each alone"
    )
