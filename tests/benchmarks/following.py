"""What following a plan takes: in each frame, and for an answer where the game left it.

    python -m tests.benchmarks.following

Processor time on the demo game's heap with all of its actions; the slips are each action that can
be done in place of each step of a plan.
"""

from __future__ import annotations

import tempfile
import time
from pathlib import Path

from adapters.commands.main import main as lowhalf
from adapters.planning.engines import engine_here
from adapters.sessions.bridge_file import load_bridge
from adapters.system_clock import system_clock
from bridge.planning.advice import advise
from bridge.planning.course import Spot
from bridge.planning.followable import Followable, followable_plan
from bridge.planning.following import follow
from bridge.planning.simulation import NotPossible, stages
from bridge.planning.slips import guesses
from bridge.ports.plan_adviser import PlanQuestion
from schemas.plan_file import load_plan
from tests.benchmarks.live_heap import SCHEMA

__all__ = ["main"]

CARRY = SCHEMA.parents[2] / "sample_dumps" / "first-print-carry.bridge.toml"
_FRAMES = 10_000


def followed(directory: Path) -> Followable:
    """A plan of the demo game, made for one of its dumps."""
    saved = directory / "gull.plan.toml"
    words = ["--want", "gull", "--at", "0x802003D0", "--save", str(saved)]
    assert lowhalf(["plan", str(CARRY), *words]) == 0
    layout = load_bridge(CARRY).schema.builds["first-print"]
    return followable_plan("gull", layout, load_plan(saved))


def answers(plan: Followable) -> list[float]:
    """Seconds that each slip's guess and new plan take together."""
    course, engine, clock = plan.course, engine_here().engine, system_clock()
    found: list[float] = []
    for step in range(len(course.actions)):
        for action in course.task.actions:
            try:
                moment = stages(action, course.moments[step], course.task)[-1]
            except NotPossible:
                continue
            shape = course.shape_at(moment)
            if shape in course.spots:
                continue
            states, arena = course.told(moment), moment.arenas[course.build]
            asked = PlanQuestion(1, course.build, step, shape, states, arena, "")
            began = time.process_time()
            given = advise(plan, asked, clock, engine, lambda sought: True)
            answer = next(given)
            found.append(time.process_time() - began)
            last = [answer, *given][-1]
            assert answer.new.steps is not None
            assert last.new.proved
            assert guesses(course, Spot(step), shape, states)
    return found


def main() -> None:
    with tempfile.TemporaryDirectory() as directory:
        plan = followed(Path(directory))
    course = plan.course
    answers(plan)  # once, so that the engine is ready
    found = sorted(answers(plan))
    middle = found[len(found) // 2]
    print(f"{len(found)} slips answered: {middle * 1e3:.1f} ms, at most {found[-1] * 1e3:.1f} ms")
    place, states = None, course.told(course.moments[0])
    shapes = [course.shape(Spot(0)), course.shape(Spot(1))]
    began = time.process_time()
    for frame in range(_FRAMES):
        place = follow(course, place, shapes[frame & 1], states, frame)
    each = (time.process_time() - began) / _FRAMES
    print(f"a frame in which the heap has changed: {each * 1e6:.1f} us")


if __name__ == "__main__":
    main()
