"""The forms of JSON that tell of what is learned from recorded play."""

from __future__ import annotations

from pydantic import Field

from adapters.json_forms.form import Form, sometimes
from adapters.json_forms.planning_shapes import PlannedBlockForm
from bridge.heap.events import Happened

__all__ = [
    "ActionVariantForm",
    "AllocatorModelForm",
    "LearnForm",
    "LearnNextForm",
    "LearnedActionForm",
    "LearnedEffectForm",
    "OutcomeForm",
    "RecordedPlayForm",
    "RuledOutForm",
    "SeenAtForm",
    "SeenSizesForm",
    "UnlabelledForm",
]


class RecordedPlayForm(Form):
    """A part of a recording in which frames follow each other."""

    recording: str
    build: str
    frames: int = Field(description="of which the heap was whole")
    first: int
    last: int
    changes: int = Field(description="frames in which the heap became another")


class SeenSizesForm(Form):
    """What the blocks of a build say, in bytes."""

    header: int
    alignment: list[int] = Field(description="least and greatest power of two that it may be")
    sizes: dict[str, int] = Field(description="kind: payload")
    varied: list[str] = Field(description="kinds of which payloads differ")


class AllocatorModelForm(Form):
    """A way to hand out blocks that explains all that was seen."""

    fit: str
    order: str
    tried_from: str
    carved_from: str
    merge: str
    keeps_last: bool
    least_rest: list[int | None] = Field(description="least and most; null is no limit")


class RuledOutForm(Form):
    """One that does not."""

    fit: str
    order: str
    tried_from: str
    carved_from: str
    merge: str
    keeps_last: bool
    recording: str
    frame: int = Field(description="the first that it does not explain")
    count: int = Field(description="how many it does not")


class SeenAtForm(Form):
    """Where an action was seen."""

    recording: str
    frame: int


class ActionVariantForm(Form):
    """What an action did some of the times."""

    released: dict[str, int]
    allocated: dict[str, int]
    count: int


class LearnedEffectForm(Form):
    """One thing that an action does: one of alloc, free, hold and let_go, as the schema has it."""

    alloc: str = sometimes("kind of which blocks are handed out")
    free: str | list[str] = sometimes("kinds of which blocks are released")
    hold: str | list[str] = sometimes("kinds of which one is held from now on")
    let_go: bool = sometimes("true: what is held is held no more")
    which: str = sometimes("which blocks of these kinds")
    count: int = sometimes("how many (1)")
    order: str = sometimes("of all: the one that is released first")
    end: str = sometimes("the end of the arena that is asked for")


class LearnedActionForm(Form):
    """What is known of an action."""

    action: str
    done: int
    without: int = Field(description="times in which the heap stayed as it was")
    effects: list[list[LearnedEffectForm]] = Field(
        description="every way that gives what was seen, as the schema has effects; without the "
        "order in which all are released"
    )
    complete: bool = Field(description="whether there are no further ways")
    least: int | None = Field(description="frames since the action before")
    typical: int | None
    alone: list[str] = Field(description="kinds of which all went, as many each time")
    sets: dict[str, int]
    adds: dict[str, int]
    variants: list[ActionVariantForm] = Field(description="where it was not the same each time")
    why: str = Field(description="why there are no effects")
    frames: list[SeenAtForm]


class UnlabelledForm(Form):
    """A heap event of no action that is labelled."""

    recording: str
    frame: int
    event: Happened
    block: int = Field(description="its index in the heap's list")
    start: int = Field(description="guest address of its payload")
    size: int
    owner: str
    was: str | None = Field(description="the owner that was there, where a block was reused")


class LearnForm(Form):
    """What recordings say of the allocator and of actions: `learn --json`."""

    recordings: list[RecordedPlayForm]
    builds: dict[str, SeenSizesForm]
    models: list[AllocatorModelForm] = Field(description="the simplest first")
    ruled_out: int
    nearest: list[RuledOutForm] = Field(
        description="where none explains all: those that fail least"
    )
    actions: list[LearnedActionForm]
    unlabelled: list[UnlabelledForm]
    cut_short: bool
    disagreements: list[str] = Field(description="what of the schema what was seen contradicts")


class OutcomeForm(Form):
    """What some of the ways predict."""

    rivals: list[str]
    layout: list[PlannedBlockForm]


class LearnNextForm(Form):
    """What to do to learn more: `learn next --json`."""

    actions: list[str] = Field(description="one after another; none where nothing is to be learned")
    frames: int
    rivals: int
    looked_at: int = Field(description="sequences of actions")
    all_up_to: int = Field(description="all of so many actions were looked at")
    cut_short: bool
    may_fail: bool = Field(description="whether an action cannot be done under some of the rivals")
    outcomes: list[OutcomeForm]
    unpredictable: list[str] = Field(description="rivals of which too little is known")
