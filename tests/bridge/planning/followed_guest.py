"""A guest whose heap is the planner's arena, written to memory: its schema, bridge and plan."""

from __future__ import annotations

import struct
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path

from adapters.sessions.bridge_file import load_bridge
from adapters.sessions.followed_plan import make_plan_tracker
from adapters.sources.fake import ScriptedSource
from bridge.memory.byte_order import ByteOrder
from bridge.planning.advice import advise
from bridge.planning.arena import Arena
from bridge.planning.followable import Followable, followable_plan
from bridge.planning.made_for import made_for
from bridge.planning.model import Placed, Start, Task
from bridge.planning.outcome import Outcome, Plan, PlannedStep, Verdict
from bridge.planning.plan_record import recorded
from bridge.planning.simulation import Moment, begin, perform, stages
from bridge.ports.plan_adviser import PlanAdvice, PlanAdviser, PlanQuestion
from bridge.ports.source import Cadence
from bridge.prepared import memory_map, prepare
from bridge.readings.frame import Frame
from bridge.sampling.continuity import Continuity
from bridge.sampling.plan_tracker import PlanTracker
from bridge.sampling.sampler import Sampler
from bridge.sampling.setup import SamplingSetup
from schemas.loader import Bridge
from schemas.plan_file import GoalTable, PlanFile, plan_text
from tests.bridge.planning.made_plan import FIRST_PRINT, start
from tests.virtual_clock import SetClock

SCHEMA = """
[game]
name = "Tidewright"
[memory]
endian = "big"
regions = [ { name = "ram", start = 0x8020_0000, size = "128 KiB" } ]
[enums.Kind]
base = "u16"
values = { lantern = 1, crate = 2, gull = 3, buoy = 4, mist_puff = 5 }
[structs.Thing.fields]
kind = { at = 0x0, type = "Kind" }
[structs.Header]
size = 0x10
[structs.Header.fields]
size = { at = 0x0, type = "u32" }
used = { at = 0x4, type = "u32" }
next = { at = 0x8, type = "Header*" }
[symbols]
head = "Header*"
room = "u32"
[heap]
block = "Header"
first = "head"
next = "block.next"
size = "block.size"
used = "block.used != 0"
payload = "address(block) + 0x10"
[heap.owner]
struct = "Thing"
field = "kind"
[allocator]
alignment = 16
least_rest = 0x20
sizes = { lantern = 0x1B8, crate = 0x1C8, gull = 0x1C8, buoy = 0x1B0, mist_puff = 0x230 }
[state]
room = "room"
[actions.gallery_door]
frames = 95
needs = { room = 0 }
sets = { room = 1 }
doc = "through the door at the stairs"
effects = [
    { free = ["lantern", "crate", "gull", "buoy", "mist_puff"], which = "all", order = "highest" },
    { alloc = "crate", count = 2 },
]
[actions.stairs]
frames = 80
needs = { room = 1 }
sets = { room = 0 }
effects = [
    { free = ["lantern", "crate", "gull", "buoy", "mist_puff"], which = "all", order = "highest" },
    { alloc = "crate" }, { alloc = "lantern" }, { alloc = "buoy" },
]
[actions.call_gull]
frames = 40
effects = [ { alloc = "gull" } ]
[actions.shoo_gull]
frames = 30
effects = [ { free = "gull", which = "highest" } ]
[actions.break_crate]
frames = 28
effects = [ { free = "crate", which = "lowest" } ]
[actions.drop_crate]
frames = 25
effects = [ { alloc = "crate" } ]
[actions.light_mist]
frames = 30
limit = 3
effects = [ { alloc = "mist_puff" } ]
[builds.first-print]
at = { head = 0x8021_F000, room = 0x8021_F004 }
[builds.export]
recognise = [ { at = 0x8021_F100, text = "EXPORT" } ]
at = { head = 0x8021_F000, room = 0x8021_F004 }
"""
BRIDGE = """
schema = "t.schema.toml"
build = "first-print"
[source]
kind = "fake"
byte_order = "big"
[plan]
file = "gull.plan.toml"
[[watches]]
name = "steps"
expr = 'plan("gull")'
[[watches]]
name = "twice"
expr = '2 * plan("gull")'
"""
KINDS = {"lantern": 1, "crate": 2, "gull": 3, "buoy": 4, "mist_puff": 5}
HEAD, ROOM = 0x8021_F000, 0x8021_F004
PLAN = ("light_mist", "gallery_door", "break_crate", "call_gull")


def memory(arena: Arena, states: Mapping[str, int]) -> Sequence[tuple[int, bytes]]:
    """Guest bytes of a heap: address and content of each header and what is behind it."""
    cells, found = arena.cells, [(HEAD, struct.pack(">II", arena.low, states["room"]))]
    for cell, following in zip(cells, [*cells[1:], None], strict=True):
        after = following.start if following else 0
        header = struct.pack(">III4x", cell.stride - 0x10, cell.used, after)
        found.append((cell.start, header + struct.pack(">H", KINDS.get(cell.kind, 0))))
    return found


def plan_file(layout: object, names: Sequence[str] = PLAN, build: str = "first-print") -> PlanFile:
    """The file of these actions, for the schema's own *layout* of the build."""
    from bridge.expressions.program import Program
    from bridge.planning.described import described
    from bridge.prepared import PreparedBuild

    told = described(PreparedBuild(layout, Program((), {}), (), None, None))  # type: ignore[arg-type]
    begins = start(FIRST_PRINT, "crate", "crate", "lantern", "gull", "buoy")
    wanted = begins.arena.low + 0x10
    goal = Placed("gull", {build: (wanted, wanted)})
    task = Task((Start(told.game, begins.arena),), {"room": 0}, told.actions, (goal,))
    moment, steps = begin(task), []
    for name in names:
        action = next(action for action in told.actions if action.name == name)
        moment = perform(action, moment, task)
        steps.append(PlannedStep(name, action.frames, action.precise, moment.arenas, moment.states))
    plan = Plan(tuple(steps), sum(s.frames for s in steps), sum(s.precise for s in steps))
    return recorded(
        task,
        plan,
        Outcome(Verdict.CHEAPEST, (plan,), floor=plan.frames),
        game="Tidewright",
        goals=[
            GoalTable(
                sort="placed",
                words="a gull at the first place",
                kind="gull",
                spans=dict(goal.spans),
            )
        ],
        made=made_for(told.actions, (told.game,)),
        taken_from={build: "a guest"},
    )


def write_files(directory: Path, names: Sequence[str] = PLAN, bridge: str = BRIDGE) -> Path:
    """Schema, plan and bridge file; gives the path of the last."""
    from schemas.compiler import load_schema

    schema = directory / "t.schema.toml"
    schema.write_text(SCHEMA, "utf-8")
    layout = load_schema(schema).builds["first-print"]
    (directory / "gull.plan.toml").write_text(plan_text(plan_file(layout, names)), "utf-8")
    path = directory / "t.bridge.toml"
    path.write_text(bridge, "utf-8")
    return path


class AtOnce(PlanAdviser):
    """Answers within the question, by the plain engine."""

    def __init__(self, plans: Mapping[str, Followable]) -> None:
        self._plans = plans
        self.asked: list[PlanQuestion] = []
        self._answers: Iterator[PlanAdvice] = iter(())
        self.closed = False
        self.late = False

    def ask(self, question: PlanQuestion) -> None:
        self.asked.append(question)
        plan = self._plans[question.build]
        self._answers = advise(plan, question, SetClock(), None, lambda sought: True)

    def take(self) -> PlanAdvice | None:
        if self.late:
            return None
        return next(self._answers, None)

    def close(self) -> None:
        self.closed = True


class FollowedGuest:
    """A game that is sampled frame by frame while a test plays it."""

    def __init__(self, directory: Path, names: Sequence[str] = PLAN, bridge: str = BRIDGE) -> None:
        self.bridge: Bridge = load_bridge(write_files(directory, names, bridge))
        self.prepared = prepare(self.bridge)
        self.source = ScriptedSource(cadence=Cadence.ANNOUNCED)
        layout = self.bridge.schema.builds["first-print"]
        file = layout.saved_plans["gull"]
        assert file is not None
        self.plan = followable_plan("gull", layout, file)
        self.adviser = AtOnce({"first-print": self.plan})
        found = make_plan_tracker(self.bridge, self.prepared)
        assert found is not None
        self.tracker: PlanTracker = PlanTracker({"first-print": self.plan}, self.adviser)
        self.moment: Moment = self.plan.course.moments[0]
        self.number = 100
        self.sampler: Sampler | None = None

    async def see(self, moment: Moment | None = None, frames: int = 1, missed: int = 0) -> Frame:
        """Frames in which a moment is there."""
        if self.sampler is None:
            setup = SamplingSetup(
                self.prepared, memory_map(self.bridge.schema), SetClock(), declared=ByteOrder.BIG
            )
            continuity = Continuity(setup.clock, plan=self.tracker)
            self.sampler = await Sampler.open(self.source, setup, continuity)
        self.moment = moment or self.moment
        for address, data in memory(self.moment.arenas["first-print"], self.moment.states):
            self.source.poke(address, data)
        for _ in range(frames):
            self.number += 1 + missed
            self.source.frame(self.number)
            frame = await self.sampler.next()
        return frame

    async def do(self, name: str, missed: int = 0) -> Frame:
        """An action, an effect a frame."""
        action = next(each for each in self.plan.course.task.actions if each.name == name)
        for moment in stages(action, self.moment, self.plan.course.task):
            frame = await self.see(moment, missed=missed)
        return frame


def plan_start(path: Path) -> tuple[Arena, Mapping[str, int]]:
    """The heap and the states before the first step of a bridge file's plan."""
    layout = load_bridge(path).schema.builds["first-print"]
    file = layout.saved_plans["gull"]
    assert file is not None
    moment = followable_plan("gull", layout, file).course.moments[0]
    return moment.arenas["first-print"], moment.states
