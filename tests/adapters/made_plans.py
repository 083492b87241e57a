"""What frames may say of a plan that is followed, for the tests of outputs and pages."""

from __future__ import annotations

from dataclasses import replace

from bridge.practice.followed_plan import FollowedPlan, NewPlan, PlanStep

__all__ = ["DONE", "GAP", "NEXT", "OFF", "STEPS", "UNDER_WAY", "WAITS"]

STEPS = (
    PlanStep("light_mist", 30),
    PlanStep("gallery_door", 95, 1, "through the door at the stairs"),
    PlanStep("call_gull", 40),
)
NOW = (
    (0x8020_0010, 0x1D0, True, "crate"),
    (0x8020_01F0, 0x1C0, True, "lantern"),
    (0x8020_03C0, 0xFC40, False, "free"),
)
WANTED = (
    (0x8020_0010, 0x1D0, True, "crate"),
    (0x8020_01F0, 0x1D0, True, "crate"),
    (0x8020_03D0, 0xFC30, False, "free"),
)
NEXT = FollowedPlan("gull", "on", STEPS, "A gull at hand", done=1, stages=8, now=NOW, wanted=WANTED)
UNDER_WAY = replace(NEXT, stand="under way", stage=3)
OFF = replace(
    NEXT,
    stand="off",
    difference="a gull stands where a crate was to be, at 0x802001F0",
    guess="was call_gull done before gallery_door?",
    new=NewPlan(STEPS[1:], True, 135),
)
GAP = replace(NEXT, done=2, unseen=("light_mist", "gallery_door"), missed=40, stages=1)
DONE = replace(NEXT, stand="done", done=3, stages=0)
WAITS = replace(NEXT, stand="waits", done=0, difference="room is 2, where 0 was to be")
