"""A plan of the demo game that was not searched for: its steps are simulated, one after another."""

from __future__ import annotations

from bridge.planning.actions import Action, Alloc, Free, Interval, Which
from bridge.planning.arena import HOLE, Arena, Cell
from bridge.planning.made_for import made_for
from bridge.planning.model import GameModel, Placed, Start, Task
from bridge.planning.outcome import Outcome, Plan, PlannedStep, Verdict
from bridge.planning.plan_record import recorded
from bridge.planning.policy import Policy
from bridge.planning.simulation import begin, perform
from schemas.plan_file import GoalTable, PlanFile

POLICY = Policy(header=0x10, alignment=16, least_rest=0x20)
FIRST_PRINT = GameModel(
    "first-print",
    POLICY,
    {"lantern": 0x1B8, "crate": 0x1C8, "gull": 0x1C8, "buoy": 0x1B0, "mist_puff": 0x230},
)
EXPORT = GameModel("export", POLICY, {kind: size + 8 for kind, size in FIRST_PRINT.sizes.items()})
BOUNDS = {"first-print": (0x8020_0000, 0x8021_0000), "export": (0x8024_0000, 0x8025_0000)}
THINGS = ("lantern", "crate", "gull", "buoy", "mist_puff")
ACTIONS = (
    Action(
        "gallery_door",
        95,
        needs={"room": (Interval(0, 0),)},
        sets={"room": 1},
        effects=(Free(THINGS, Which.ALL, order=Which.NEWEST), Alloc("crate", 2)),
    ),
    Action("call_gull", 40, effects=(Alloc("gull"),)),
    Action("whistle", 12, precise=1, effects=(Alloc("gull"),)),
    Action("break_crate", 28, effects=(Free(("crate",), Which.OLDEST),)),
    Action("light_mist", 30, limit=3, effects=(Alloc("mist_puff"),)),
)


def start(game: GameModel, *kinds: str) -> Start:
    """Blocks of these kinds at the arena's low end, the oldest first."""
    low, high = BOUNDS[game.build]
    cells: list[Cell] = []
    for age, kind in enumerate(kinds, 1):
        stride = POLICY.stride(game.sizes[kind])
        cells.append(Cell(cells[-1].end if cells else low, stride, kind, age))
    end = cells[-1].end if cells else low
    return Start(game, Arena((*cells, Cell(end, high - end, HOLE))))


def made_task() -> Task:
    """A gull where the lantern lies, on two builds."""
    kinds = ("crate", "crate", "lantern", "gull", "buoy")
    starts = (start(FIRST_PRINT, *kinds), start(EXPORT, *kinds))
    spans = {each.game.build: (each.arena.cells[2].start + 0x10,) * 2 for each in starts}
    return Task(starts, {"room": 0}, ACTIONS, (Placed("gull", spans),))


def made_plan(*names: str) -> PlanFile:
    """The file of a plan of these actions."""
    task = made_task()
    moment, steps = begin(task), []
    for name in names or ("gallery_door", "break_crate", "light_mist", "whistle"):
        action = next(action for action in ACTIONS if action.name == name)
        moment = perform(action, moment, task)
        steps.append(PlannedStep(name, action.frames, action.precise, moment.arenas, moment.states))
    plan = Plan(
        tuple(steps), sum(step.frames for step in steps), sum(step.precise for step in steps)
    )
    (goal,) = task.goals
    assert isinstance(goal, Placed)
    reason = f"all that take fewer than {plan.frames} frames were looked at"
    return recorded(
        task,
        plan,
        Outcome(Verdict.CHEAPEST, (plan,), floor=plan.frames, reason=reason),
        game="Tidewright",
        goals=[
            GoalTable(
                sort="placed",
                words="a gull at courier.held",
                given="--want gull --at courier.held",
                kind="gull",
                spans=dict(goal.spans),
            )
        ],
        made=made_for(ACTIONS, (FIRST_PRINT, EXPORT)),
        taken_from={
            "first-print": "file carry.bin.gz, frame 151",
            "export": "derived from first-print",
        },
    )
