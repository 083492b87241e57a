"""The plan that a bridge file names, joined with the planner that makes it followable."""

from __future__ import annotations

import logging
from collections.abc import Mapping
from typing import TYPE_CHECKING

from schemas.compiler import BuildLayout
from schemas.loader import Bridge

if TYPE_CHECKING:  # a bridge without a plan needs none of these
    from bridge.planning.followable import Followable
    from bridge.prepared import PreparedBuild
    from bridge.sampling.plan_tracker import PlanTracker
    from schemas.plan_file import PlanFile

__all__ = ["followable", "make_plan_tracker"]


def followable(bridge: Bridge) -> Bridge:
    """The same bridge, whose plan's expressions can be checked and followed."""
    if bridge.file.plan is None:
        return bridge
    name = bridge.file.plan.called
    made: dict[str, Followable] = {}

    def course_of(layout: BuildLayout, plan: PlanFile) -> Followable:
        from bridge.planning.followable import followable_plan

        if layout.name not in made:
            made[layout.name] = followable_plan(name, layout, plan)
        return made[layout.name]

    for layout in bridge.schema.builds.values():
        layout.course_of = course_of
    return bridge


def make_plan_tracker(
    bridge: Bridge,
    prepared_builds: Mapping[str, PreparedBuild],
    log: logging.Logger | None = None,
) -> PlanTracker | None:
    """What follows the plan; None where the bridge file names none.

    With *log* a process beside this one is asked for new plans.  Raises BridgeFileError where no
    build that may run is one that the plan was made for.
    """
    if bridge.file.plan is None:
        return None
    from bridge.sampling.plan_tracker import PlanTracker

    plans: dict[str, Followable] = {}
    for build, prepared in prepared_builds.items():
        layout = prepared.layout
        file = layout.saved_plans[bridge.file.plan.called]
        if file is None:  # as before the first plan is made
            return None
        assert layout.course_of is not None
        plans[build] = layout.course_of(layout, file)
    reasons = [plan.why for plan in plans.values()]
    if all(reasons):
        raise bridge.text.error(("plan", "file"), reasons[0])
    if log is None:
        return PlanTracker(plans)
    from adapters.planning.advising import PlanAdvisingProcess

    return PlanTracker(plans, PlanAdvisingProcess(plans, log))
