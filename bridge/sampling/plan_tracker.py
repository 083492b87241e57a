"""The plan that is followed, in each frame that is taken: what it says of it, and whom it asks.

Where a game stands is a slot of the same program as the watches (``plan("name")``), so that it sees
every frame.  What takes longer than a frame may, the adviser is asked: its answer goes with the
frames that stand as the one that was asked of.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from bridge.heap.blocks import Heap, Row, Rows
from bridge.planning.advice import step_of
from bridge.planning.arena import WALL
from bridge.planning.arena_of_heap import arena_of_heap
from bridge.planning.course import HELD, Course, Spot
from bridge.planning.followable import Followable
from bridge.planning.following import Place, Stand
from bridge.planning.slips import difference, difference_from
from bridge.ports.plan_adviser import PlanAdvice, PlanAdviser, PlanQuestion
from bridge.practice.followed_plan import Bar, FollowedPlan, PlanStep
from schemas.errors import PlanningError

__all__ = ["PlanTracker"]


class PlanTracker:
    """One lives as long as the daemon; *plans* is the same plan on each build.

    ``followed`` is what the newest frame says of it.
    """

    def __init__(self, plans: Mapping[str, Followable], adviser: PlanAdviser | None = None) -> None:
        self._plans = plans
        self._adviser = adviser
        self._asked = 0
        self._of: tuple[object, ...] | None = None
        self._difference = ""
        self._advice: PlanAdvice | None = None
        self._known_steps: dict[str, tuple[PlanStep, ...]] = {}
        self._known_wanted: dict[tuple[str, Spot], Bar] = {}
        self._now_of: tuple[str, Sequence[Row]] | None = None
        self._now: Bar = ()
        first = next(iter(plans.values()))
        self.followed = FollowedPlan(
            first.name, str(Stand.WAITS), (), first.title, reason="no frame yet"
        )

    def take(self, build: str, place: object, reason: str, heap: Heap | None) -> FollowedPlan:
        """A frame was taken; *reason* says why *place* is none of its, else empty."""
        plan = self._plans[build]
        self._hear()
        if reason or not isinstance(place, Place):
            # what earlier frames said of it is not of this one
            now = self.followed
            self.followed = FollowedPlan(
                now.name, str(Stand.WAITS), now.steps, now.title, reason=reason or "no frame yet"
            )
            return self.followed
        course = plan.course
        self._look(plan, place, heap)
        spot = place.spot
        steps = self._steps(course)
        last = spot.step == len(steps)
        advice = self._fitting()
        self.followed = FollowedPlan(
            plan.name,
            str(place.stand),
            steps,
            plan.title,
            done=spot.step,
            stage=spot.stage,
            stages=0 if last else len(course.ways[spot.step]),
            difference=self._difference,
            guess="" if advice is None else advice.guess,
            unseen=tuple(steps[number].action for number in place.unseen),
            missed=place.missed,
            back=place.back,
            new=None if advice is None else advice.new,
            now=() if heap is None else self._bar(build, heap),
            wanted=self._wanted(course, Spot(spot.step if last else spot.step + 1)),
        )
        return self.followed

    def _steps(self, course: Course) -> tuple[PlanStep, ...]:
        known = self._known_steps.get(course.build)
        if known is None:
            known = tuple(step_of(course, action.name) for action in course.actions)
            self._known_steps[course.build] = known
        return known

    def _bar(self, build: str, heap: Heap) -> Bar:
        """The heap's blocks; in most frames they are those of the last one."""
        of = (build, heap.blocks.rows) if isinstance(heap.blocks, Rows) else None
        if of is None or of != self._now_of:
            self._now_of = of
            self._now = tuple(sorted((b.start, b.size, b.used, b.owner) for b in heap.blocks))
        return self._now

    def _wanted(self, course: Course, spot: Spot) -> Bar:
        key = course.build, spot
        if key not in self._known_wanted:
            header = course.policy.header
            self._known_wanted[key] = tuple(
                (cell.start + header, max(0, cell.stride - header), cell.used, cell.kind)
                for cell in course.arena(spot).cells
                if cell.kind != WALL
            )
        return self._known_wanted[key]

    def answered(self) -> bool:
        """Whether the adviser has answered since the newest frame, which then says so."""
        if not self._hear() or (advice := self._fitting()) is None:
            return False
        self.followed = replace(self.followed, guess=advice.guess, new=advice.new)
        return True

    def _hear(self) -> bool:
        """Whether an answer has come."""
        answer = None if self._adviser is None else self._adviser.take()
        self._advice = answer or self._advice
        return answer is not None

    def _fitting(self) -> PlanAdvice | None:
        """The answer that is of how the game stands now."""
        advice = self._advice
        return advice if self._of is not None and advice and advice.number == self._asked else None

    def _look(self, plan: Followable, place: Place, heap: Heap | None) -> None:
        """What differs, and the question about it, once for each heap that is not the plan's."""
        if place.stand not in (Stand.OFF, Stand.WAITS):
            self._of, self._difference = None, ""
            return
        of = (plan.course.build, place.stand, place.spot, place.shape, tuple(place.states.items()))
        if of == self._of:
            return
        self._of = of
        course, waits = plan.course, place.stand is Stand.WAITS
        if waits:
            words = difference_from(course, Spot(0), place.shape, place.states)
        else:
            words = difference(course, place.spot, place.shape, place.states)
        self._difference = words
        if self._adviser is None:
            return
        self._asked += 1
        arena, why = None, "the heap is not known"
        if heap is not None:
            at = course.arena(place.spot)
            told = plan.described
            try:
                held = place.states.get(HELD)
                arena = arena_of_heap(heap, told.game, (at.low, at.high), told.actions, held=held)
            except PlanningError as fault:
                why = str(fault)
        self._adviser.ask(
            PlanQuestion(
                self._asked,
                course.build,
                None if waits else place.spot.step,
                place.shape,
                dict(place.states),
                arena,
                why,
            )
        )

    def close(self) -> None:
        """The daemon ends."""
        if self._adviser is not None:
            self._adviser.close()
