"""What every form of JSON holds that lowhalf gives out, as models.

``lowhalf json-schema`` prints their schemas.  Nothing is made or checked by them while lowhalf
runs: the tests hold what is given out against them, and they allow no key that they do not name.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from adapters.json_forms.by_hand import ByHandForm
from adapters.json_forms.form import Form, sometimes
from adapters.json_forms.learned_shapes import LearnForm, LearnNextForm
from adapters.json_forms.pack_shapes import PackForm, UnpackForm
from adapters.json_forms.planning_shapes import CheckForm, PlanForm
from adapters.json_forms.sheet_shapes import SheetForm
from adapters.json_forms.walk_shapes import WalkForm
from bridge.heap.events import Happened
from bridge.heap.shape import Sort
from bridge.ports.source import Consistency
from bridge.practice.attempts import Outcome
from bridge.practice.progress import Phase
from bridge.practice.steps import StepOutcome
from bridge.practice.windows import Verdict
from bridge.values.status import Status

__all__ = [
    "FORMS",
    "AttemptForm",
    "AttemptsForm",
    "BinForm",
    "BlockAtForm",
    "BlockForm",
    "ChangeForm",
    "ChosenForm",
    "CompareForm",
    "DerivationStepForm",
    "EventForm",
    "EventsComparedForm",
    "FailureForm",
    "FieldDifferenceForm",
    "FollowedPlanForm",
    "FrameForm",
    "Frames",
    "HalfForm",
    "HeapEventForm",
    "HeapForm",
    "Interval",
    "KeptForm",
    "LaidBlockForm",
    "LastForm",
    "LayoutForm",
    "LayoutLineForm",
    "NewPlanForm",
    "NextStepForm",
    "OneHeapForm",
    "OpenWindowForm",
    "PlanStepForm",
    "PracticeForm",
    "QueryForm",
    "RateForm",
    "RawRangeForm",
    "ReadingForm",
    "SentHeapEventForm",
    "SessionForm",
    "Shown",
    "SittingForm",
    "SpreadForm",
    "StepForm",
    "StepRateForm",
    "StepTimingForm",
    "StepTotalsForm",
    "SumForm",
    "SumLineForm",
    "SumsForm",
    "TakenForm",
    "TalliesForm",
    "TallyForm",
    "TallyValueForm",
    "TimesForm",
    "TimingForm",
    "TimingsForm",
    "TotalsForm",
    "TurnForm",
    "TurnedForm",
    "TurnsForm",
    "Value",
    "VerifyForm",
    "WhereForm",
    "WriteForm",
]

Value = float | int | bool | str | None
Interval = Annotated[list[float], Field(min_length=2, max_length=2)]


class Shown(Form):
    """What an expression gave."""

    status: Status
    value: Value = Field(description="null where there is none, and for what is not finite")
    text: str = Field(description="the value for people; empty where there is none")
    address: int | None = Field(description="guest address; null where it was computed")
    target: Literal["hit", "miss", "unknown"] | None = Field(description="null without a target")
    reason: str = Field(description="why there is no value, or what to be warned of; else empty")


class ReadingForm(Shown):
    """What a watch gave in a frame."""

    watch: str = Field(description="its name")


Frames = Annotated[list[int], Field(min_length=2, max_length=2)]


class TimingForm(Form):
    """When a step was done, against its window."""

    verdict: Verdict
    by: int | None = Field(description="frames outside of it; null: before the moment came")
    frames: int | None = Field(description="from the moment to done; null: before it came")
    window: Frames = Field(description="the first and the last frame that are right")
    unsure: int | None = Field(
        description="as many frames more or less it may be, for frames missed; null: not known"
    )


class StepTimingForm(TimingForm):
    """The same with the step's name."""

    step: str


class StepForm(Form):
    """How a step that was reached came out."""

    step: str
    outcome: StepOutcome
    waited: int = Field(description="frames that it waited for its begin")
    frames: int | None = Field(description="the game's, from its begin")
    seconds: float | None
    frames_seen: int | None = Field(description="of these; null where nobody counts them")
    whole: bool | None = Field(description="whether each was seen; null where that is not known")
    timing: TimingForm | None = Field(description="null without a window, or where it is not done")
    too_soon: int = Field(description="how often it was done while it waited for its begin")


class LastForm(Form):
    """The attempt that ended last, or the last way through the steps."""

    attempt: int = Field(description="its number; 0 without [attempts]")
    outcome: Outcome
    step: str | None = Field(description="where it ended; null after a success")
    reason: str
    frames: int | None
    frames_seen: int | None
    whole: bool | None
    by_hand: bool = Field(description="whether the runner counted it")
    timing: StepTimingForm | None = Field(description="of its last step that has one")


class NextStepForm(Form):
    """The step behind the current one."""

    step: str
    hint: str


class OpenWindowForm(Form):
    """The window of the current step."""

    frames: Frames = Field(description="the first and the last that are right")
    since: int | None = Field(description="frames since the moment; null before it came")


class SessionForm(Form):
    """One sitting."""

    session: int = Field(description="its number, from 1")
    attempts: int
    successes: int
    rate: float | None
    interval: Interval
    streak: int
    best: int | None = Field(description="frames of the shortest success; null without one")
    median: float | None


class RateForm(Form):
    """How often something succeeded."""

    good: int
    count: int
    rate: float | None = Field(description="null where the count is 0")
    interval: Interval = Field(description="where the true rate lies with 95 % confidence")


class StepRateForm(RateForm):
    """The rate of a step."""

    step: str


class PracticeForm(Form):
    """Steps and attempts; what is not required is there where there is [attempts]."""

    phase: Phase
    step: str | None = Field(description="the current one")
    index: int = Field(description="its number from 1; 0 outside of the steps")
    steps: int = Field(description="how many there are")
    frames: int = Field(description="the game's, since the step began")
    hint: str
    reason: str = Field(description="which expression has no value now, and why")
    show: str | None = Field(description="the watch that is large in it")
    next: NextStepForm | None = Field(description="the step behind it")
    window: OpenWindowForm | None = Field(description="the step's, where it has one")
    too_soon: int | None = Field(
        description="frames since it was done while it waits for its begin; null where it was not"
    )
    finished: list[StepForm] = Field(description="the steps that are done on this way, in order")
    last: LastForm | None
    attempt: int | None = sometimes("the open one's number; null where none is open")
    attempt_frames: int = sometimes()
    attempt_frames_seen: int | None = sometimes()
    attempt_whole: bool | None = sometimes()
    attempt_long: bool = sometimes("whether it is several times as long as any that ended")
    attempts: int = sometimes("those that came to an end by themselves")
    successes: int = sometimes()
    rate: float | None = sometimes()
    interval: Interval = sometimes()
    streak: int = sometimes("successes in a row")
    cut_off: int = sometimes()
    not_whole: int = sometimes("attempts of which frames were missed")
    unseen_between: int = sometimes("frames between attempts that may hide more of them")
    best: int | None = sometimes("frames of the shortest success; null without one")
    median: float | None = sometimes("of the successes' frames")
    session: SessionForm | None = sometimes("what this sitting gave")
    step_rates: list[StepRateForm] = sometimes()


class HeapEventForm(Form):
    """Something that became of a block: a line of `events --json`."""

    frame: int = Field(description="the frame in which it was seen")
    event: Happened
    block: int = Field(description="index in the heap's list; of one that was released, before")
    start: int = Field(description="guest address of the payload")
    size: int = Field(description="bytes of payload")
    owner: str
    was: str | None = Field(description="what was reused; null otherwise")
    was_at: int = sometimes("of a block that moved: its start before")
    heap: str = sometimes("where the heap has a name")


class PlanStepForm(Form):
    """An action of a plan."""

    action: str = Field(description="its name in the schema")
    frames: int = Field(description="what it takes")
    precise: int = Field(description="how many of its inputs must be right to the frame")
    doc: str


class NewPlanForm(Form):
    """A plan from where the game stands."""

    found: bool
    proved: bool = Field(description="none is cheaper; or there is none")
    frames: int | None
    first: str | None = Field(description="an action that is under way and has to be over before")
    steps: list[PlanStepForm]
    reason: str


class FollowedPlanForm(Form):
    """How the game stands to the plan that is followed."""

    name: str
    title: str
    stand: Literal["waits", "on", "under way", "off", "done"]
    done: int = Field(description="steps done")
    steps: int = Field(description="all of them")
    next: PlanStepForm | None = Field(description="null where all are done")
    stage: int = Field(description="of the next one's effects, those that have come")
    stages: int = Field(description="the next one's effects")
    difference: str = Field(description="the first from what was to be; else empty")
    guess: str = Field(description="a question that names what may have been done")
    unseen: list[str] = Field(description="actions that were done without being seen")
    missed: int = Field(description="frames that were not seen then")
    back: bool = Field(description="whether it began again further back")
    reason: str = Field(description="why nothing is known of it in this frame; else empty")
    new_plan: NewPlanForm | None = Field(description="null where none is looked for, or not yet")


class FrameForm(Form):
    """A frame: `run --json`, `read --json`, `/frame.json`, the topic `bridge/frame`."""

    frame: int = Field(description="the game's own number of it")
    time: float = Field(description="seconds since the Unix epoch; of a dump: of its file")
    build: str = Field(description="empty while it is not known")
    source: str
    consistency: Consistency = Field(description="why it can be taken for whole")
    readings: list[ReadingForm]
    practice: PracticeForm = sometimes("where there are steps or attempts")
    plan: FollowedPlanForm = sometimes("where a plan is followed")
    dump: str = sometimes("of several --dump, which one")
    events: list[HeapEventForm] = sometimes(
        "of `run --json` with heap_events: those since the line before"
    )
    events_left_out: int = sometimes("beside events: how many more there were")


class DerivationStepForm(Shown):
    """One step of how a value comes about: `explain --json` prints an array of these."""

    kind: str = Field(description="symbol, add, follow, index, read …")
    label: str
    type: str
    offset: int = Field(description="what is added to the address, in bytes")


class BlockForm(Form):
    """A block of the heap."""

    index: int = Field(description="0 for the first")
    start: int = Field(description="guest address of its payload")
    size: int = Field(description="bytes of payload")
    used: bool
    owner: str
    header: int = Field(description="guest address of its header")
    handle: int = sometimes("of one that can move: where the pointer to it is stored")


class OneHeapForm(Form):
    """One of several heaps."""

    heap: str = sometimes("where it has a name")
    blocks: list[BlockForm]
    damaged: str | None = Field(description="what is wrong, where its list breaks")


class HeapForm(OneHeapForm):
    """The heap: `heap --json`."""

    frame: int
    build: str
    others: list[OneHeapForm] = sometimes("where the schema describes more: the others")
    dump: str = sometimes("of several --dump, which one")


class SentHeapEventForm(HeapEventForm):
    """The same as the topic `heap/event` has it."""

    number: int = Field(description="counts all events since lowhalf started, from 1")
    left_out: int = Field(description="events right before it that were not sent")
    since: int = Field(description="the frame in which the heap was seen before")


class EventsComparedForm(Form):
    """The first event in which two recordings differ: `events A B --json`."""

    event: int | None = Field(description="its number from 1; null where all are the same")
    a: HeapEventForm | None = Field(description="null where there are no more")
    b: HeapEventForm | None


class FailureForm(Form):
    """What was not as expected."""

    file: str = Field(description="the file of expectations")
    line: int = Field(description="in that file, from 1; 0 where it is not known")
    expected: str
    found: str


class FieldDifferenceForm(Form):
    """A field or a block of the heap that differs."""

    path: str = Field(description="as an expression names it in the first moment")
    address: int = Field(description="guest address in the first moment, else in the second")
    a: Value | None = Field(
        description="its value in the first; of a pointer what it points at; null: nothing there"
    )
    b: Value | None = Field(description="and in the second")


class RawRangeForm(Form):
    """Bytes that differ and that no field has."""

    address: int
    length: int = Field(description="bytes")
    differing: int = Field(description="how many of them differ")


class CompareForm(Form):
    """What differs between two moments: `compare --json`."""

    differences: list[FieldDifferenceForm] = Field(description="the heap's first")
    ranges: list[RawRangeForm] = Field(description="by address; none between two builds")
    same: int | None = sometimes("with --align: pairs of frames before, without a difference")
    a: int | None = sometimes("with --align: the frame of the first recording, null for none")
    b: int | None = sometimes("with --align: the frame of the second")


class QueryForm(Form):
    """What was asked for, in one frame of a recording: `query --json` prints one a frame."""

    frame: int = Field(description="the game's own number of the frame")
    time: float = Field(description="when it was recorded, in seconds since the Unix epoch")
    values: dict[str, Value] = Field(description="by name; null where there is no value")
    status: dict[str, Status] = Field(description="by name")
    recording: str | None = sometimes("the file, where several were asked")


class VerifyForm(Form):
    """Expectations that were looked at: `verify --json`."""

    passed: int = Field(description="expectations that hold")
    failed: int = Field(description="expectations that do not, and files that are wrong")
    failures: list[FailureForm]


class LaidBlockForm(Form):
    """A block of one of two layouts."""

    index: int
    owner: str
    size: int | None = Field(description="null: any size")
    used: bool | None = Field(description="null: in use or not")
    at: int | None = Field(description="bytes from the first block's payload; null: any place")
    wildcard: Literal[True] = sometimes("where it does not say what the block is")


class LayoutLineForm(Form):
    """What stands side by side; null where one side has nothing."""

    sort: Sort
    expected: LaidBlockForm | None
    found: LaidBlockForm | None


class TakenForm(Form):
    """What a wildcard of a layout took."""

    index: int = Field(description="its place in the layout")
    owner: str
    took: list[int] = Field(description="indices of the heap's blocks")
    words: str


class LayoutForm(Form):
    """The heap beside a saved layout: `layout compare --json`."""

    matches: bool
    first: int | None = Field(description="index of the first block that differs")
    difference: str | None = Field(description="the first difference in words")
    damaged: str | None
    note: str
    frame: int
    build: str
    source: str
    lines: list[LayoutLineForm]
    wildcards: list[TakenForm] = sometimes("where the layout has some")
    dump: str = sometimes("of several --dump, which one")


class BlockAtForm(Form):
    """The heap's block around an address."""

    index: int
    owner: str
    start: int
    size: int
    used: bool
    offset: int = Field(description="how far the address lies behind the payload's start")
    heap: str = sometimes("where the heap has a name")


class WhereForm(Form):
    """What is at an address: `where --json`."""

    path: str | None = Field(description="the first of paths")
    paths: list[str] = Field(description="all names, the smallest first")
    type: str | None
    half: Literal["low", "high"] | None
    build: str
    block: BlockAtForm | None


class HalfForm(Form):
    """Values with a wanted half: `solve half --json`."""

    count: int
    spacing: float | None = Field(description="around --near; else the least in the interval")
    below: float | None = Field(description="the nearest that is not above --near")
    above: float | None = Field(description="the nearest that is not below --near")
    values: list[float] = Field(description="the first --limit, from the low end")


class TurnsForm(Form):
    """A sequence of moves."""

    frames: int
    moves: list[str]


class TurnedForm(TurnsForm):
    """An angle that can be reached, and how."""

    angle: int
    off: int = Field(description="units from --to, below 0 where it is before it")
    degrees: float = Field(description="the same in degrees")


class TurnForm(Form):
    """The cheapest turns: `solve turn --json`."""

    reachable: bool = Field(description="whether --to, or an angle --within of it, is")
    frames: int | None
    moves: list[str]
    nearest: list[int] = Field(description="angles that can be reached, before and behind")
    others: list[TurnsForm] = Field(description="the next best")
    reason: str = Field(description="why it cannot be reached; else empty")
    start: int = Field(description="the angle that it begins with")
    to: int
    turn: int = Field(description="the shortest way in units, below 0 to the left")
    degrees: float = Field(description="the same in degrees")
    angle: int | None = Field(description="the angle that is reached")
    off: int | None = Field(description="units from --to to it")
    closer: list[TurnedForm] = Field(description="angles that lie nearer and cost more")
    below: TurnedForm = Field(description="the nearest one that is not behind --to")
    above: TurnedForm = Field(description="the nearest one that is not before --to")
    frame: int = sometimes("where --from was read in a game")
    build: str = sometimes("where --from was read in a game")


class SumLineForm(Form):
    """One line of a sum, digits in hexadecimal."""

    before: str
    sign: Literal["+", "-"]
    operand: str
    carries: str = Field(description="a 1 over each digit that a carry goes into")
    after: str


class SumForm(Form):
    """A sum on paper: `solve hex --json`."""

    result: int
    hex: str
    steps: list[SumLineForm]


class ChangeForm(Form):
    """A value that a write touches."""

    path: str
    type: str
    half: Literal["low", "high"] | None
    present: Value
    after: Value


class WriteForm(Form):
    """What a write would change: `solve write --json`."""

    address: int
    half: Literal["low", "high"]
    want: int
    build: str
    block: BlockAtForm | None
    occupied: bool = Field(description="whether anything that is known lies there")
    changes: list[ChangeForm]


class TallyValueForm(Form):
    """One value of a tally."""

    value: Value
    text: str
    count: int
    share: float = Field(description="of the moments, 0 to 1")
    in_gaps: int = Field(description="further moments, in frames that were not seen")


class TallyForm(Form):
    """One tally's counts, the commonest value first."""

    expression: str
    build: str
    moments: int
    in_gaps: int
    values: list[TallyValueForm]


class TalliesForm(Form):
    """All tallies: `tally --json`."""

    tallies: list[TallyForm]


class TimesForm(Form):
    """Of several times; null without any."""

    best: float | None
    median: float | None


class SumsForm(Form):
    """What several attempts gave."""

    attempts: int
    successes: int
    rate: float | None
    interval: Interval
    streak: int
    cut_off: int
    undone: int = Field(description="attempts that were taken back, which count nowhere else")
    not_whole: int
    unseen_between: int = Field(description="all of unseen_before")
    frames: TimesForm = Field(description="of the successes")
    seconds: TimesForm = Field(description="of the successes")


class TotalsForm(SumsForm):
    """What all attempts gave."""

    left_out: int = Field(description="attempts that --whole leaves out")


class ChosenForm(SumsForm):
    """What those gave that were asked for."""

    session: int | None = Field(description="the one of --session")
    since: float | None = Field(description="that of --since, seconds since the Unix epoch")


class SittingForm(SumsForm):
    """What the attempts of one sitting gave."""

    session: int = Field(description="its number, from 1")
    began: float = Field(description="seconds since the Unix epoch")
    ended: float = Field(description="the last attempt's end, else its beginning")
    note: str = Field(description="what the runner wrote; else empty")


class BinForm(Form):
    """A bar of a histogram: attempts in which a step was done in one frame."""

    frames: int = Field(description="from the moment")
    verdict: Verdict
    count: int
    unsure: int = Field(description="of these; frames were missed, so it may be others")


class SpreadForm(Form):
    """How far frames lie apart."""

    least: int
    lower: float = Field(description="the first quartile")
    median: float
    upper: float = Field(description="the third quartile")
    most: int


class TimingsForm(Form):
    """When a step with a window was done, of all attempts."""

    step: str
    window: Frames = Field(description="the first and the last frame that are right")
    right: RateForm = Field(description="of all times that it was done")
    early: int
    late: int
    before: int = Field(description="of the early: before the moment came; in no histogram")
    unsure: int = Field(description="of all; frames were missed, so they may be others")
    not_whole: int = Field(description="of all; not every frame of the step was seen")
    too_soon: int = Field(description="how often it was done while it waited for its begin")
    histogram: list[BinForm] = Field(description="in order; without empty ones")
    spread: SpreadForm | None = Field(description="null where the histogram is empty")
    earlier: RateForm | None = Field(
        description="right, had the window begun a frame before; null where it begins at 0"
    )
    later: RateForm = Field(description="right, had it ended a frame behind")
    wider: RateForm = Field(description="right, had it done both")


class StepTotalsForm(StepRateForm):
    """What all attempts gave in one step."""

    done: int
    failed: int
    given_up: int
    unfinished: int
    frames: TimesForm
    seconds: TimesForm


class KeptForm(Form):
    """A watch's value at the attempt's end."""

    status: Status
    value: Value
    text: str


class AttemptForm(Form):
    """One attempt."""

    attempt: int
    build: str
    began: float = Field(description="seconds since the Unix epoch")
    began_frame: int
    outcome: Outcome
    step: str | None = Field(description="where it ended; null after a success")
    reason: str
    frames: int | None
    seconds: float | None
    frames_seen: int | None
    whole: bool | None
    unseen_before: int = Field(description="frames before it that may hide others")
    session: int = Field(description="the sitting that it belongs to, from 1")
    by_hand: bool = Field(description="whether the runner counted it")
    undone: bool = Field(description="whether it was taken back, and counts nowhere")
    clip: str | None = Field(description="the recording of it, from the bridge file's folder on")
    steps: list[StepForm]
    kept: dict[str, KeptForm] = Field(description="by the watch's name")


class AttemptsForm(Form):
    """All attempts: `attempts --json`."""

    file: str
    running: bool = Field(description="whether a lowhalf writes it now")
    totals: TotalsForm
    chosen: ChosenForm | None = Field(description="of --session or --since; null without")
    sessions: list[SittingForm] = Field(description="the oldest first")
    steps: list[StepTotalsForm] = Field(description="of those that are chosen, else of all")
    timing: list[TimingsForm] = Field(description="the same of steps with a window")
    attempts: list[AttemptForm]


class EventForm(Form):
    """An attempt that ended: the topic `practice/event`."""

    attempt: int = Field(description="its number; 0 without [attempts]")
    outcome: Outcome
    step: str | None = Field(description="where it ended; null after a success")
    frames: int | None
    seconds: float | None
    time: float = Field(description="when it ended, seconds since the Unix epoch")
    whole: bool | None
    timing: StepTimingForm | None = Field(description="of its last step that has one")


FORMS: dict[str, type[Form]] = {
    "frame": FrameForm,
    "explain": DerivationStepForm,
    "heap": HeapForm,
    "heap-event": HeapEventForm,
    "heap-events-compared": EventsComparedForm,
    "sent-heap-event": SentHeapEventForm,
    "layout": LayoutForm,
    "where": WhereForm,
    "half": HalfForm,
    "turn": TurnForm,
    "walk": WalkForm,
    "hex": SumForm,
    "write": WriteForm,
    "tallies": TalliesForm,
    "attempts": AttemptsForm,
    "event": EventForm,
    "verify": VerifyForm,
    "compare": CompareForm,
    "query": QueryForm,
    "check": CheckForm,
    "plan": PlanForm,
    "sheet": SheetForm,
    "learn": LearnForm,
    "learn-next": LearnNextForm,
    "by-hand": ByHandForm,
    "pack": PackForm,
    "unpack": UnpackForm,
}
"""Every form by the name that ``lowhalf json-schema`` knows it by."""
